// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/state.h"
#include "rollbook/base/units.h"

#include <complex.h>
#include <math.h>
#include <string.h>

// What the model says of itself: its equations made linear at the working point, solved for
// phasors. The supply is taken as its capacitors behind the rectifier's mean resistance.

static rb_net_small small_signal(const rb_amp *amp, unsigned index)
{
  const rb_amp_channel *channel = &amp->channel[index];
  const rb_solver *solver = &channel->solver;
  const double *v = solver->v[0];
  rb_net_small small = {.core_loss_ohm = solver->parts.core_loss};
  rb_currents at;
  memset(&at, 0, sizeof at);
  rb_lanes_at(&solver->lanes, v, &at);
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    rb_tube_point *point = &small.tube[t];
    const bool pentode = t >= RB_NET_TRIODES;
    point->plate_a = at.plate[t];
    point->plate_by_grid = at.plate_by_grid[t];
    point->grid_by_grid = at.grids_live ? at.grid_by_grid[t] : 0;
    point->plate_by_plate = pentode ? at.plate_by_plate[t] : at.plate_by_work[t];
    if (!pentode)
      continue;
    point->screen_a = at.screen[t];
    point->plate_by_screen = at.plate_by_work[t];
    point->screen_by_grid = at.screen_by_grid[t];
    point->screen_by_plate = at.screen_by_plate[t];
    point->screen_by_screen = at.screen_by_work[t];
  }
  rb_net_core(&solver->parts, solver->flux_vs, &small.core_by_flux);
  return small;
}

static double complex at_node(const rb_amp *amp, unsigned index, const rb_net_phasors *phasors,
                              const char *name)
{
  const int node = rb_net_node(&amp->channel[index].net, name);
  return CMPLX(phasors->node[node][0], phasors->node[node][1]);
}

/// Voltage at the load with these sources; where the net is singular (it is not), 0.
static double complex load_with(const rb_amp *amp, unsigned index, double frequency_hz,
                                const double complex source_v[RB_NET_SOURCES], double into_load_a,
                                rb_net_phasors *phasors)
{
  const rb_net_small small = small_signal(amp, index);
  rb_net_sources sources;
  for (unsigned s = 0; s < RB_NET_SOURCES; s++) {
    sources.volts[s][0] = creal(source_v[s]);
    sources.volts[s][1] = cimag(source_v[s]);
  }
  if (rb_net_linear(&amp->channel[index].net, &small, frequency_hz, &sources, into_load_a,
                    phasors) != RB_OK)
    return 0;
  return at_node(amp, index, phasors, "output");
}

static double complex response(const rb_amp *amp, unsigned index, double frequency_hz)
{
  rb_net_phasors phasors;
  return load_with(amp, index, frequency_hz, (const double complex[RB_NET_SOURCES]){1}, 0,
                   &phasors);
}

void rb_amp_response(const rb_amp *amp, unsigned channel, double frequency_hz, double gain[2])
{
  const double complex g = response(amp, channel, frequency_hz);
  gain[0] = creal(g);
  gain[1] = cimag(g);
}

/// The first frequency, going by `factor` from 1 kHz, where the gain is 3.01 dB below that at 1
/// kHz.
static double corner(const rb_amp *amp, unsigned index, double gain, double factor)
{
  const double wanted = gain / sqrt(2);
  double inside = 1000, outside = 1000;
  while (cabs(response(amp, index, outside)) > wanted && outside > 1e-2 && outside < 1e7) {
    inside = outside;
    outside *= factor;
  }
  for (unsigned i = 0; i < 30; i++) {
    const double middle = sqrt(inside * outside);
    if (cabs(response(amp, index, middle)) > wanted)
      inside = middle;
    else
      outside = middle;
  }
  return sqrt(inside * outside);
}

static double complex capacitor(double farad, double frequency_hz)
{
  return 1 / CMPLX(0, 2 * RB_PI * frequency_hz * farad);
}

/// Voltage at the other channel's load when this one is driven, through the common supply.
static double separation_db(const rb_amp *amp, unsigned index, double frequency_hz, double gain)
{
  const rb_amp_parts *part = &amp->setup.parts[RB_LEFT];
  if (amp->setup.still_supply)
    return 400;
  const double complex b_plus_ohm =
      1 / (1 / capacitor(part->c2, frequency_hz) +
           1 / CMPLX(part->choke_dcr, 2 * RB_PI * frequency_hz * part->choke));
  rb_net_phasors phasors;
  load_with(amp, index, frequency_hz, (const double complex[RB_NET_SOURCES]){1}, 0, &phasors);
  const double complex drawn[2] = {
      CMPLX(phasors.source_a[RB_NET_B_PLUS][0], phasors.source_a[RB_NET_B_PLUS][1]),
      CMPLX(phasors.source_a[RB_NET_B2][0], phasors.source_a[RB_NET_B2][1])};
  // At audio frequencies the filter tube's cathode is held by its capacitor: 22 µF is 7 Ω at 1 kHz
  // against some 100 Ω of the tube.
  const double complex source_v[RB_NET_SOURCES] = {[RB_NET_B_PLUS] = -drawn[0] * b_plus_ohm,
                                                   [RB_NET_B2] = -drawn[1] *
                                                                 capacitor(part->c3, frequency_hz)};
  const double complex heard = load_with(amp, !index, frequency_hz, source_v, 0, &phasors);
  return rb_db_from_ratio(gain / fmax(cabs(heard), 1e-20));
}

/// The first section alone: its plate per volt at its grid with the cathode held, 1 kHz.
static double first_stage_gain(const rb_amp *amp, unsigned index)
{
  const rb_net_small small = small_signal(amp, index);
  const rb_amp_parts *part = &amp->setup.parts[index];
  const double plate_s = small.tube[0].plate_by_plate + 1 / part->driver_load;
  return -small.tube[0].plate_by_grid / plate_s;
}

rb_amp_truth rb_amp_truth_of(const rb_amp *amp, unsigned index)
{
  const rb_amp_channel *channel = &amp->channel[index];
  rb_amp_truth truth = {.first_stage_gain = first_stage_gain(amp, index)};
  rb_net_phasors phasors;
  truth.gain = cabs(response(amp, index, 1000));
  truth.low_3db_hz = corner(amp, index, truth.gain, 1 / 1.1);
  truth.high_3db_hz = corner(amp, index, truth.gain, 1.1);
  // The load stands beside what is measured: take it out of the admittance seen by the current.
  const double complex seen =
      load_with(amp, index, 1000, (const double complex[RB_NET_SOURCES]){0}, 1, &phasors);
  truth.output_impedance_ohm =
      amp->setup.speaker ? cabs(seen) : cabs(1 / (1 / seen - 1 / amp->setup.load_ohm));
  truth.separation_db = separation_db(amp, index, 1000, truth.gain);
  for (unsigned side = 0; side < 2; side++) {
    truth.idle_plate_a[side] = channel->idle_a[side];
    truth.idle_cathode_a[side] = channel->idle_a[side] + channel->idle_a[2 + side];
  }
  truth.b_plus_v = channel->supply.b_plus_v;
  truth.b2_v = channel->supply.b2_v;
  return truth;
}
