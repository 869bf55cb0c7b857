// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/state.h"
#include "rollbook/base/units.h"

#include <math.h>

// Everything in a tube that changes by itself, as causes inside the circuit: noise at grids,
// leakage into cathodes, currents added at plates.

static const double boltzmann_j_k = 1.380649e-23; // exact by definition of the SI (2019)
static const double room_k = 300;
static const double heater_vpeak = 4.455; // half of a 6.3 V winding with its centre grounded

double rb_warm_emission(const rb_section_truth *section, bool output, double age_s)
{
  // A heater takes some 15 s; emission creeps up for minutes, in a worn tube for longer. Fitted to
  // common practice (no source): gain within 0.1 dB in 5 to 10 min, bias within 2 % in 20 min.
  const double slow_s = 240 * (1 + 4 * fmax(1 - section->emission, 0));
  const double heater = 1 - exp(-pow(age_s / 14, 3));
  const double creep = 0.25 * exp(-age_s / slow_s) + (output ? 0.06 * exp(-age_s / 700) : 0);
  return fmax(heater * (1 - creep), 1e-4);
}

double rb_amp_warmth(double since_power_on_s)
{
  const rb_section_truth sound = {.emission = 1};
  return rb_warm_emission(&sound, true, since_power_on_s);
}

double rb_warm_gas(double age_s)
{
  return 1 - exp(-age_s / 600);
}

void rb_unrest_knock(rb_amp_channel *channel, const rb_amp_setup *setup, unsigned index,
                     unsigned tube, double strength)
{
  const rb_section_truth *section = rb_section_of(setup, index, tube);
  channel->unrest[tube].ring[1] += section->ring_a * strength;
  if (section->loose_rate_hz > 0 && strength > 0.5) {
    channel->unrest[tube].loose_left_s = 0.03;
    channel->unrest[tube].loose_depth = 0.5;
  }
}

/// Roughly normal numbers of variance 1: four 16-bit uniform ones added. After the amplifier's
/// bandwidth nothing can tell them from exactly normal ones, and they cost a tenth.
static double rough_normal(rb_random *random)
{
  const uint64_t bits = rb_random_bits(random);
  const int64_t sum =
      (int64_t)((bits & 0xFFFF) + (bits >> 16 & 0xFFFF) + (bits >> 32 & 0xFFFF) + (bits >> 48));
  return (double)(sum - 2 * 65535) * (1.7320508075688772 / 65536);
}

static bool happens(rb_amp_channel *channel, double rate_hz, double tick_s)
{
  return rate_hz > 0 && rb_random_uniform(&channel->random) < rate_hz * tick_s;
}

static double ring_now(rb_unrest *unrest, const rb_section_truth *section, double tick_s)
{
  if (unrest->ring[0] == 0 && unrest->ring[1] == 0)
    return 0;
  const double angle = 2 * RB_PI * section->ring_hz * tick_s;
  const double decay = exp(-tick_s / section->ring_decay_s);
  const double re = decay * cos(angle), im = decay * sin(angle);
  const double x = unrest->ring[0], y = unrest->ring[1];
  unrest->ring[0] = re * x + im * y;
  unrest->ring[1] = re * y - im * x;
  if (fabs(unrest->ring[0]) + fabs(unrest->ring[1]) < 1e-18)
    unrest->ring[0] = unrest->ring[1] = 0;
  return unrest->ring[0];
}

/// Pops and crackle: impulses of plate current that die away in half a millisecond.
static double impulses_now(rb_amp_channel *channel, rb_unrest *unrest,
                           const rb_section_truth *section, double tick_s)
{
  if (!(section->pop_rate_hz > 0) && !(section->crackle_rate_hz > 0))
    return 0;
  if (happens(channel, section->pop_rate_hz, tick_s))
    unrest->pop_a += section->pop_a * (0.5 + rb_random_uniform(&channel->random));
  if (happens(channel, section->crackle_rate_hz, tick_s))
    unrest->crackle_left_s = 0.05 + 0.2 * rb_random_uniform(&channel->random);
  if (unrest->crackle_left_s > 0) {
    unrest->crackle_left_s -= tick_s;
    if (happens(channel, 400, tick_s))
      unrest->crackle_a += section->crackle_a * rb_random_normal(&channel->random);
  }
  const double fall = 1 - tick_s / 0.5e-3;
  unrest->pop_a *= fall;
  unrest->crackle_a *= fall;
  return unrest->pop_a + unrest->crackle_a;
}

static void contact_now(rb_amp_channel *channel, rb_unrest *unrest, const rb_section_truth *section,
                        double tick_s)
{
  unrest->loose_factor = 1;
  if (!(section->loose_rate_hz > 0))
    return;
  if (happens(channel, section->loose_rate_hz, tick_s)) {
    unrest->loose_left_s = 0.002 + 0.03 * rb_random_uniform(&channel->random);
    unrest->loose_depth = 0.05 + 0.6 * rb_random_uniform(&channel->random);
  }
  if (unrest->loose_left_s > 0) {
    unrest->loose_left_s -= tick_s;
    unrest->loose_factor = 1 - unrest->loose_depth;
  }
}

/// 1/f noise of unit density at 1 Hz: first-order filters two octaves apart (after Saletti, Proc.
/// IEEE 74(11), 1986).
static double flicker_now(rb_amp_channel *channel, rb_unrest *unrest, double tick_s)
{
  const double drive = 1 / sqrt(2 * tick_s); // white noise of density 1
  double sum = 0, corner_hz = 1;
  for (unsigned i = 0; i < RB_FLICKER_POLES; i++, corner_hz *= 4) {
    const double turn = fmin(2 * RB_PI * corner_hz * tick_s, 1);
    unrest->flicker[i] += turn * (rough_normal(&channel->random) * drive - unrest->flicker[i]);
    sum += unrest->flicker[i] / sqrt(corner_hz);
  }
  return sum * 0.9394; // √(2·ln 4/π): the integral over a continuum of corners
}

static double grid_now(rb_amp_channel *channel, unsigned tube, const rb_section_truth *section,
                       double tick_s)
{
  rb_unrest *unrest = &channel->unrest[tube];
  double volts = 0;
  if (section->burst_rate_hz > 0 && happens(channel, section->burst_rate_hz, tick_s))
    unrest->burst_high = !unrest->burst_high;
  if (unrest->burst_high)
    volts += section->burst_v;
  const bool noisy = tube == 0 || tube == 2; // further on the signal is far above such noise
  if (noisy && section->flicker_hz > 0)
    volts += section->noise_v * sqrt(section->flicker_hz) * flicker_now(channel, unrest, tick_s);
  return volts;
}

/// Heater to cathode: the heater's voltage over the leak, one way more than the other where it
/// rectifies.
static double leak_now(const rb_section_truth *section, double heater_v)
{
  if (!(section->heater_leak_ohm > 0))
    return 0;
  return (heater_v + section->heater_rectify * fmax(heater_v, 0)) / section->heater_leak_ohm;
}

void rb_unrest_tick(rb_amp *amp, unsigned index, rb_tick *tick)
{
  *tick = (rb_tick){0};
  rb_amp_channel *channel = &amp->channel[index];
  const double heater_v = heater_vpeak * sin(2 * RB_PI * channel->supply.mains_cycle);
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const rb_section_truth *section = rb_section_of(&amp->setup, index, t);
    tick->extra_a[rb_current_grid(t)] -= section->gas_a * channel->gas_share;
    channel->unrest[t].loose_factor = 1;
    if (amp->setup.silent)
      continue;
    tick->extra_a[RB_CURRENT_PLATE + t] +=
        ring_now(&channel->unrest[t], section, amp->tick_s) +
        impulses_now(channel, &channel->unrest[t], section, amp->tick_s);
    tick->grid_v[t] = grid_now(channel, t, section, amp->tick_s);
    contact_now(channel, &channel->unrest[t], section, amp->tick_s);
    const unsigned cathode = t < 3 ? t : 2; // both sections of the pair share one
    if (t < RB_NET_TRIODES)
      tick->cathode_a[cathode] += leak_now(section, heater_v);
  }
}

void rb_unrest_noise(rb_amp *amp, unsigned index, size_t n, double *noise0, double *noise2)
{
  rb_amp_channel *channel = &amp->channel[index];
  const double band = amp->rate_hz / 2;
  const double first = rb_section_of(&amp->setup, index, 0)->noise_v;
  const double source =
      4 * boltzmann_j_k * room_k * amp->setup.parts[index].source_resistance; // Nyquist 1928
  const double sd0 = sqrt((first * first + source) * band);
  const double second = rb_section_of(&amp->setup, index, 2)->noise_v;
  const double third = rb_section_of(&amp->setup, index, 3)->noise_v;
  const double sd2 = sqrt((second * second + third * third) * band); // both halves of the pair
  for (size_t i = 0; i < n; i++) {
    noise0[i] = amp->setup.silent ? 0 : sd0 * rough_normal(&channel->random);
    noise2[i] = amp->setup.silent ? 0 : sd2 * rough_normal(&channel->random);
  }
}
