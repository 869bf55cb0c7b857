// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/state.h"
#include "rollbook/base/units.h"

#include <math.h>

/// The filter tube: a pentode wired as a triode, or both sections of a twin side by side.
static void filter_tube(const rb_tube_truth *tube, double warm, double grid_v, double plate_v,
                        double *current_a, double *slope, double *grid_a)
{
  *current_a = *slope = *grid_a = 0;
  const unsigned n_sections = tube->type->kind == RB_PENTODE ? 1 : 2;
  for (unsigned s = 0; s < n_sections; s++) {
    const rb_section_truth *section = &tube->section[s];
    const double scale = section->gm * section->emission * warm;
    const rb_tube_point at =
        rb_tube_law_at(tube->type, grid_v + section->cutoff_v, plate_v, plate_v, section->isat_a);
    *current_a += scale * (at.plate_a + at.screen_a);
    *slope += scale * (at.plate_by_grid + at.plate_by_plate + at.plate_by_screen +
                       at.screen_by_grid + at.screen_by_plate + at.screen_by_screen);
    *grid_a += at.grid_a;
  }
}

void rb_supply_step(rb_supply *supply, const rb_amp_setup *setup, double warm, double step_s,
                    double b_plus_a, double b2_a)
{
  const rb_amp_parts *part = &setup->parts[RB_LEFT];
  supply->mains_cycle += setup->mains_hz * step_s;
  supply->mains_cycle -= floor(supply->mains_cycle);
  const double wave =
      part->mains_vrms * setup->mains_ratio * sqrt(2) * fabs(sin(2 * RB_PI * supply->mains_cycle));
  double tube_a, slope, grid_a;
  filter_tube(&setup->tubes[RB_AMP_FILTER], warm, supply->grid_v - supply->b2_v,
              supply->raw_v - supply->b2_v, &tube_a, &slope, &grid_a);
  // Each capacitor takes its own voltage's effect at the end of the step, so that small ones stay
  // stable.
  const double on = wave > supply->raw_v ? step_s / (part->rectifier_resistance * part->c1) : 0;
  supply->raw_v =
      (supply->raw_v + on * wave - step_s / part->c1 * (supply->choke_a + tube_a)) / (1 + on);
  supply->choke_a +=
      step_s / part->choke * (supply->raw_v - supply->b_plus_v - part->choke_dcr * supply->choke_a);
  supply->b_plus_v += step_s / part->c2 * (supply->choke_a - b_plus_a);
  const double lag = step_s / (part->filter_grid * part->filter_grid_capacitance);
  supply->grid_v = (supply->grid_v + lag * part->filter_ratio * supply->raw_v -
                    step_s / part->filter_grid_capacitance * grid_a) /
                   (1 + lag);
  supply->b2_v += step_s / part->c3 * (tube_a - b2_a) / (1 + step_s / part->c3 * slope);
}

/// Means over a fifth of a second: whole periods of 50, 55 and 60 Hz mains.
static rb_supply mean_supply(rb_supply *supply, const rb_amp_setup *setup, double b_plus_a,
                             double b2_a)
{
  const double step_s = 1 / 48000.0;
  const unsigned n = 48000 / 5;
  rb_supply mean = {.raw_v = 0};
  for (unsigned i = 0; i < n; i++) {
    rb_supply_step(supply, setup, 1, step_s, b_plus_a, b2_a);
    mean.b_plus_v += supply->b_plus_v / n;
    mean.b2_v += supply->b2_v / n;
    mean.grid_v += supply->grid_v / n;
  }
  return mean;
}

void rb_supply_rest(rb_supply *supply, const rb_amp_setup *setup, double b_plus_a, double b2_a,
                    double mean_v[2])
{
  // The filter tube's grid takes seconds by itself: it is moved to where its exponential leads.
  const rb_amp_parts *part = &setup->parts[RB_LEFT];
  const double left = exp(-0.2 / (part->filter_grid * part->filter_grid_capacitance));
  for (unsigned round = 0; round < 20; round++) {
    const rb_supply one = mean_supply(supply, setup, b_plus_a, b2_a);
    const rb_supply two = mean_supply(supply, setup, b_plus_a, b2_a);
    const double move_v = (two.grid_v - one.grid_v) * left / (1 - left);
    supply->grid_v += move_v;
    mean_v[0] = two.b_plus_v;
    mean_v[1] = two.b2_v + move_v;
    const double moved_v =
        fabs(two.b_plus_v - one.b_plus_v) + fabs(two.b2_v - one.b2_v) + fabs(move_v);
    if (round >= 3 && moved_v < 1e-3) // choke and B+ swing for a second
      break;
  }
}
