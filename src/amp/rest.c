// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/state.h"

#include <math.h>
#include <string.h>

// The working point by pseudo-transient continuation: backward Euler with steps that grow from
// microseconds to hours, so that every capacitor ends up carrying no current.

static void load_lane(rb_amp_channel *channel, unsigned t, const rb_tube_type *type,
                      const rb_section_truth *truth)
{
  const rb_tube_law *law = &type->law;
  rb_lanes *lanes = &channel->solver.lanes;
  const bool pentode = t >= RB_NET_TRIODES;
  channel->base_shift_v[t] = truth->cutoff_v;
  channel->base_scale[t] = truth->gm * truth->emission / law->kg;
  channel->base_scale2[t] = pentode ? truth->gm * truth->emission / law->kg2 : 0;
  lanes->inverse_mu[t] = 1 / (law->mu * truth->mu);
  lanes->exponent[t] = law->exponent;
  lanes->kp[t] = law->kp;
  lanes->inverse_kp[t] = 1 / law->kp;
  lanes->kvb[t] = pentode ? 0 : law->kvb;
  lanes->knee[t] = pentode ? 1 / law->knee_v : 0;
  lanes->early[t] = pentode ? 1 / law->early_v : 0;
  lanes->rise[t] = law->screen_rise;
  lanes->isat_a[t] = truth->isat_a;
  lanes->any_limit |= truth->isat_a > 0;
  lanes->grid_slope[t] = law->grid_slope;
  lanes->grid_start_v[t] = law->grid_start_v;
}

void rb_channel_tubes(rb_amp *amp, unsigned index)
{
  rb_amp_channel *channel = &amp->channel[index];
  rb_lanes *lanes = &channel->solver.lanes;
  memset(lanes, 0, sizeof *lanes);
  for (unsigned t = 0; t < RB_LANES; t++) { // also the two without a tube, so that nothing is 1/0
    lanes->inverse_mu[t] = lanes->exponent[t] = lanes->kp[t] = lanes->inverse_kp[t] = 1;
    channel->base_scale[t] = channel->base_scale2[t] = channel->base_shift_v[t] = 0;
  }
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const unsigned socket = index * RB_AMP_PER_CHANNEL + rb_net_tubes[t].socket;
    load_lane(channel, t, amp->setup.tubes[socket].type, rb_section_of(&amp->setup, index, t));
  }
  rb_channel_warm(amp, index);
}

void rb_channel_warm(rb_amp *amp, unsigned index)
{
  rb_amp_channel *channel = &amp->channel[index];
  rb_lanes *lanes = &channel->solver.lanes;
  channel->gas_share = rb_warm_gas(amp->age_s);
  channel->filter_share =
      rb_warm_emission(&amp->setup.tubes[RB_AMP_FILTER].section[0], true, amp->age_s);
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const rb_section_truth *truth = rb_section_of(&amp->setup, index, t);
    const double share = rb_warm_emission(truth, t >= RB_NET_TRIODES, amp->age_s);
    lanes->scale[t] = channel->warm_scale[t] = channel->base_scale[t] * share;
    lanes->scale2[t] = channel->warm_scale2[t] = channel->base_scale2[t] * share;
    lanes->shift_v[t] = channel->base_shift_v[t];
  }
}

static void slow_causes(const rb_amp *amp, unsigned index, const double supply_v[2],
                        double slow[RB_STEP_SLOW], double extra_a[RB_CURRENTS])
{
  const rb_amp_channel *channel = &amp->channel[index];
  memset(slow, 0, RB_STEP_SLOW * sizeof *slow);
  memset(extra_a, 0, RB_CURRENTS * sizeof *extra_a);
  slow[RB_SLOW_B_PLUS] = supply_v[0];
  slow[RB_SLOW_B2] = supply_v[1];
  slow[RB_SLOW_BIAS_A] = channel->bias_v[0];
  slow[RB_SLOW_BIAS_B] = channel->bias_v[1];
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    extra_a[rb_current_grid(t)] =
        -rb_section_of(&amp->setup, index, t)->gas_a * rb_warm_gas(amp->age_s);
}

static rb_status settle(rb_amp *amp, unsigned index, const double supply_v[2], double first_s,
                        double growth, unsigned n_steps)
{
  rb_amp_channel *channel = &amp->channel[index];
  rb_solver *solver = &channel->solver;
  const double nothing = 0, *const quiet[2] = {&nothing, &nothing};
  double slow[RB_STEP_SLOW], extra_a[RB_CURRENTS], load_v, sum_a[2] = {0};
  slow_causes(amp, index, supply_v, slow, extra_a);
  const double tolerance = solver->tolerance;
  solver->tolerance = 1e-6;
  solver->most_step_v = 20;
  double step_s = first_s;
  for (unsigned i = 0; i < n_steps; i++, step_s = fmin(step_s * growth, 1e4)) {
    const rb_stored stored = rb_solver_stored(solver, RB_BACKWARD_EULER);
    RB_TRY(rb_step_build(&channel->net, solver->parts.core_loss, step_s, RB_BACKWARD_EULER,
                         &solver->step));
    rb_solver_adopt(solver);
    rb_solver_resume(solver, &stored, RB_BACKWARD_EULER);
    rb_solver_slow(solver, slow, extra_a);
    if (i + 4 == n_steps) // on the way there Newton's method may stumble, at the end it may not
      solver->failures = 0;
    rb_solver_run(solver, &nothing, quiet, 1, &load_v, sum_a);
  }
  const bool good = isfinite(load_v) && fabs(load_v) < 1 && solver->failures == 0;
  solver->tolerance = tolerance;
  solver->most_step_v = 200;
  return good ? RB_OK : RB_NO_CONVERGENCE;
}

rb_status rb_channel_rest(rb_amp *amp, unsigned index, const double supply_v[2])
{
  rb_amp_channel *channel = &amp->channel[index];
  rb_solver *solver = &channel->solver;
  RB_TRY(rb_step_build(&channel->net, solver->parts.core_loss, 1e-5, RB_BACKWARD_EULER,
                       &solver->step));
  rb_stored nothing = {.flux_vs = 0};
  memset(solver->v, 0, sizeof solver->v);
  rb_solver_resume(solver, &nothing, RB_BACKWARD_EULER);
  return settle(amp, index, supply_v, 1e-5, 1.3, 90);
}

rb_status rb_channel_rest_on(rb_amp *amp, unsigned index, const double supply_v[2])
{
  return settle(amp, index, supply_v, 0.01, 10, 9);
}
