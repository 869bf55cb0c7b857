// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/simulated.h"
#include "rollbook/amp/state.h"

#include <math.h>
#include <string.h>

static const double still_supply_v[2] = {420, 385};

static const double tick_rate_hz = 44100; ///< At least so many supply steps a second.

/// Plate and screen currents of the output tubes: moves their means by `share` towards now.
static void follow_idle(rb_amp_channel *channel, double share)
{
  for (unsigned i = 0; i < 4; i++) // plates of the pentodes, then their screens
    channel->idle_a[i] +=
        share * (channel->solver.current[RB_NET_TRIODES + i] - channel->idle_a[i]);
}

static double idle_of(const rb_solver *solver, unsigned side)
{
  const unsigned t = RB_NET_TRIODES + side;
  return solver->current[RB_CURRENT_PLATE + t] + solver->current[RB_CURRENT_SCREEN + side];
}

/// Sets the bias of trimmed tubes so that they draw what they should, by secant steps.
static rb_status trim(rb_amp *amp, unsigned index, const double supply_v[2])
{
  rb_amp_channel *channel = &amp->channel[index];
  for (unsigned round = 0; round < 12; round++) {
    double worst = 0;
    for (unsigned side = 0; side < 2; side++) {
      const double wanted = amp->setup.idle_a[index * RB_AMP_PER_CHANNEL + RB_AMP_PUSH + side];
      if (!(wanted > 0))
        continue;
      rb_currents at;
      rb_lanes_at(&channel->solver.lanes, channel->solver.v[0], &at);
      const unsigned t = RB_NET_TRIODES + side;
      const double slope = at.plate_by_grid[t] + at.screen_by_grid[t];
      const double error = wanted - idle_of(&channel->solver, side);
      const double change = fmin(fmax(error / fmax(slope, 1e-4), -5), 5);
      channel->bias_v[side] = fmin(fmax(channel->bias_v[side] + change, -150), -1);
      worst = fmax(worst, fabs(error) / wanted);
    }
    if (worst < 1e-5)
      break;
    RB_TRY(rb_channel_rest_on(amp, index, supply_v));
  }
  return RB_OK;
}

static void drawn_now(const rb_amp *amp, double sum_a[2])
{
  sum_a[0] = sum_a[1] = 0;
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++) {
    sum_a[0] += amp->channel[c].solver.b_plus_a;
    sum_a[1] += amp->channel[c].solver.b2_a;
  }
}

/// Channels and supply by turns until neither moves the other.
static rb_status find_working_point(rb_amp *amp, rb_supply *supply, bool trimming)
{
  double supply_v[2] = {still_supply_v[0], still_supply_v[1]}, sum_a[2];
  for (unsigned round = 0; round < 4; round++) {
    for (unsigned c = 0; c < RB_AMP_CHANNELS; c++) {
      RB_TRY(round == 0 && trimming ? rb_channel_rest(amp, c, supply_v)
                                    : rb_channel_rest_on(amp, c, supply_v));
      if (trimming)
        RB_TRY(trim(amp, c, supply_v));
    }
    if (amp->setup.still_supply)
      return RB_OK;
    drawn_now(amp, sum_a);
    rb_supply_rest(supply, &amp->setup, sum_a[0], sum_a[1], supply_v);
  }
  return RB_OK;
}

static void start_channel(rb_amp *amp, unsigned index)
{
  rb_amp_channel *channel = &amp->channel[index];
  rb_net_build(&amp->setup, index, &channel->net);
  channel->solver.parts = amp->setup.parts[index];
  channel->solver.tolerance = 1;
  channel->bias_v[0] = channel->bias_v[1] = amp->setup.parts[index].bias_v;
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    channel->unrest[t].loose_factor = 1;
}

static rb_status set_rate(rb_amp *amp, double rate_hz, rb_rule from)
{
  amp->rate_hz = rate_hz;
  amp->tick_samples = (size_t)fmax(floor(rate_hz / tick_rate_hz), 1);
  amp->tick_s = (double)amp->tick_samples / rate_hz;
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++) {
    rb_solver *solver = &amp->channel[c].solver;
    const rb_stored stored = rb_solver_stored(solver, from);
    RB_TRY(rb_step_build(&amp->channel[c].net, solver->parts.core_loss, 1 / rate_hz, RB_TRAPEZOIDAL,
                         &solver->step));
    rb_solver_adopt(solver);
    rb_solver_resume(solver, &stored, RB_TRAPEZOIDAL);
  }
  return RB_OK;
}

rb_status rb_amp_set_rate(rb_amp *amp, double rate_hz)
{
  return rate_hz == amp->rate_hz ? RB_OK : set_rate(amp, rate_hz, RB_TRAPEZOIDAL);
}

static void share_supply(rb_amp *amp, const rb_supply *supply)
{
  amp->drawn_ticks = 1;
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++) {
    rb_amp_channel *channel = &amp->channel[c];
    channel->supply = *supply;
    channel->own_a[0] = channel->solver.b_plus_a;
    channel->own_a[1] = channel->solver.b2_a;
    follow_idle(channel, 1);
    for (unsigned parity = 0; parity < 2; parity++)
      memcpy(amp->drawn_a[parity][c][0], channel->own_a, sizeof channel->own_a);
  }
}

/// To rest as warm as the age says, ripple and all.
static rb_status rest_at_age(rb_amp *amp, double age_s, double rate_hz, rb_supply *supply,
                             bool trimmed_now)
{
  amp->age_s = age_s;
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++)
    rb_channel_warm(amp, c);
  if (!trimmed_now || age_s < 1e6)
    RB_TRY(find_working_point(amp, supply, false));
  share_supply(amp, supply);
  RB_TRY(set_rate(amp, 48000, RB_BACKWARD_EULER));
  if (!amp->setup.still_supply)
    rb_amp_run_both(amp, (const double *const[2]){NULL, NULL}, 2 * 48000,
                    (double *const[2]){NULL, NULL});
  amp->age_s = age_s;
  return set_rate(amp, rate_hz, RB_TRAPEZOIDAL);
}

/// From nothing to rest: bias trimmed when warm, then as warm as the setup says.
static rb_status come_to_rest(rb_amp *amp, double rate_hz)
{
  rb_supply supply = {.raw_v = 427, .choke_a = 0.18, .b_plus_v = 420, .grid_v = 371, .b2_v = 375};
  amp->age_s = 1e9;
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++) {
    start_channel(amp, c);
    rb_channel_tubes(amp, c);
  }
  RB_TRY(find_working_point(amp, &supply, true));
  return rest_at_age(amp, amp->setup.since_power_on_s, rate_hz, &supply, true);
}

rb_status rb_amp_rest_at(rb_amp *amp, double since_power_on_s, rb_err *err)
{
  rb_supply supply = amp->channel[0].supply;
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++) { // into the form the working point starts from
    rb_solver *solver = &amp->channel[c].solver;
    const rb_stored stored = rb_solver_stored(solver, RB_TRAPEZOIDAL);
    RB_TRY(rb_step_build(&amp->channel[c].net, solver->parts.core_loss, 1e-3, RB_BACKWARD_EULER,
                         &solver->step));
    rb_solver_resume(solver, &stored, RB_BACKWARD_EULER);
  }
  if (rest_at_age(amp, since_power_on_s, amp->rate_hz, &supply, false) != RB_OK)
    return rb_fail(err, RB_NO_CONVERGENCE, "The simulated amplifier lost its working point.");
  return RB_OK;
}

rb_status rb_amp_new(const rb_amp_setup *setup, double rate_hz, rb_arena *arena, rb_amp **made,
                     rb_err *err)
{
  if (!(rate_hz >= 40000 && rate_hz <= 800000))
    return rb_fail(err, RB_BAD_ARG, "The amplifier cannot be simulated at %g Hz.", rate_hz);
  rb_amp *amp = rb_arena_alloc(arena, 1, sizeof *amp);
  if (!amp)
    return rb_fail(err, RB_NO_MEM, "Out of memory for the simulated amplifier.");
  amp->setup = *setup;
  rb_amp_reseed(amp, setup->seed);
  const rb_status status = come_to_rest(amp, rate_hz);
  if (status != RB_OK)
    return rb_fail(err, status,
                   "The simulated amplifier finds no working point with these tubes and parts. "
                   "Take back the last change of a part or of a tube's truth.");
  *made = amp;
  return RB_OK;
}

rb_status rb_amp_clone(const rb_amp *amp, rb_arena *arena, rb_amp **clone)
{
  *clone = rb_arena_alloc(arena, 1, sizeof **clone);
  if (!*clone)
    return RB_NO_MEM;
  rb_amp_copy(*clone, amp);
  return RB_OK;
}

void rb_amp_copy(rb_amp *target, const rb_amp *source)
{
  *target = *source;
}

void rb_amp_reseed(rb_amp *amp, uint64_t seed)
{
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++)
    amp->channel[c].random = rb_random_seeded(seed * RB_AMP_CHANNELS + c);
}

/// Supply, and everything that happens by itself, for the next tick of a channel.
static void start_tick(rb_amp *amp, unsigned index, size_t tick_number)
{
  rb_amp_channel *channel = &amp->channel[index];
  const size_t other_tick = tick_number < amp->drawn_ticks ? tick_number : amp->drawn_ticks - 1;
  const double *other_a = amp->drawn_a[!amp->parity][!index][other_tick];
  double slow[RB_STEP_SLOW] = {still_supply_v[0], still_supply_v[1], channel->bias_v[0],
                               channel->bias_v[1]};
  if (amp->setup.still_supply) {
    const double cycle = channel->supply.mains_cycle + amp->setup.mains_hz * amp->tick_s;
    channel->supply.mains_cycle = cycle - floor(cycle); // the heaters go on
  } else {
    rb_supply_step(&channel->supply, &amp->setup, channel->filter_share, amp->tick_s,
                   channel->own_a[0] + other_a[0], channel->own_a[1] + other_a[1]);
    slow[RB_SLOW_B_PLUS] = channel->supply.b_plus_v;
    slow[RB_SLOW_B2] = channel->supply.b2_v;
  }
  rb_tick tick;
  rb_unrest_tick(amp, index, &tick);
  memcpy(slow + RB_SLOW_CATHODE, tick.cathode_a, sizeof tick.cathode_a);
  rb_solver_slow(&channel->solver, slow, tick.extra_a);
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    channel->solver.lanes.shift_v[t] = channel->base_shift_v[t] + tick.grid_v[t];
    channel->solver.lanes.scale[t] = channel->warm_scale[t] * channel->unrest[t].loose_factor;
    channel->solver.lanes.scale2[t] = channel->warm_scale2[t] * channel->unrest[t].loose_factor;
  }
}

void rb_amp_run(rb_amp *amp, unsigned index, const double *input_v, size_t n, double *load_v)
{
  rb_amp_channel *channel = &amp->channel[index];
  double noise0[RB_AMP_BLOCK], noise2[RB_AMP_BLOCK];
  rb_unrest_noise(amp, index, n, noise0, noise2);
  rb_channel_warm(amp, index);
  size_t tick = 0;
  for (size_t i = 0; i < n; i += amp->tick_samples, tick++) {
    const size_t samples = n - i < amp->tick_samples ? n - i : amp->tick_samples;
    const double *const noise_v[2] = {noise0 + i, noise2 + i};
    double sum_a[2] = {0, 0};
    start_tick(amp, index, tick);
    rb_solver_run(&channel->solver, input_v + i, noise_v, samples, load_v + i, sum_a);
    channel->own_a[0] = sum_a[0] / (double)samples;
    channel->own_a[1] = sum_a[1] / (double)samples;
    memcpy(amp->drawn_a[amp->parity][index][tick], channel->own_a, sizeof channel->own_a);
    follow_idle(channel, amp->tick_s / 0.1);
  }
}

void rb_amp_block_done(rb_amp *amp, size_t n)
{
  amp->drawn_ticks = (n + amp->tick_samples - 1) / amp->tick_samples;
  amp->parity = !amp->parity;
  amp->age_s += (double)n / amp->rate_hz;
}

void rb_amp_run_both(rb_amp *amp, const double *const input_v[2], size_t n, double *const load_v[2])
{
  static const double silence[RB_AMP_BLOCK];
  double unwanted[RB_AMP_BLOCK];
  const size_t block = rb_amp_block(amp);
  for (size_t i = 0; i < n; i += block) {
    const size_t samples = n - i < block ? n - i : block;
    for (unsigned c = 0; c < RB_AMP_CHANNELS; c++)
      rb_amp_run(amp, c, input_v[c] ? input_v[c] + i : silence, samples,
                 load_v[c] ? load_v[c] + i : unwanted);
    rb_amp_block_done(amp, samples);
  }
}

size_t rb_amp_block(const rb_amp *amp)
{
  const double longest = fmin(1e-3 * amp->rate_hz, RB_AMP_BLOCK);
  return (size_t)fmax(floor(longest / 8), 1) * 8;
}

double rb_amp_since_power_on_s(const rb_amp *amp)
{
  return amp->age_s;
}

void rb_amp_set_since_power_on_s(rb_amp *amp, double age_s)
{
  amp->age_s = age_s;
}

void rb_amp_tap(rb_amp *amp, int socket, double strength)
{
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++)
    for (unsigned t = 0; t < RB_NET_TUBES; t++) {
      const int at = (int)(c * RB_AMP_PER_CHANNEL + rb_net_tubes[t].socket);
      const double share = socket < 0 ? 0.2 : at == socket ? 1 : 1.0 / 30;
      rb_unrest_knock(&amp->channel[c], &amp->setup, c, t, strength * share);
    }
}

unsigned long rb_amp_failures(const rb_amp *amp)
{
  return amp->channel[0].solver.failures + amp->channel[1].solver.failures;
}

double rb_amp_iterations(const rb_amp *amp)
{
  const double samples = (double)(amp->channel[0].solver.samples + amp->channel[1].solver.samples);
  return (double)(amp->channel[0].solver.evaluations + amp->channel[1].solver.evaluations) /
         fmax(samples, 1);
}

void rb_amp_set_mains_hz(rb_amp *amp, double mains_hz)
{
  amp->setup.mains_hz = mains_hz;
}
