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

void rb_supply_rest(rb_supply *supply, const rb_amp_setup *setup, double b_plus_a, double b2_a,
                    double mean_v[2])
{
  const double step_s = 1 / 24000.0;
  const unsigned n_settle = 24000 * 5, n_mean = 24000 / 5;
  mean_v[0] = mean_v[1] = 0;
  for (unsigned i = 0; i < n_settle + n_mean; i++) {
    rb_supply_step(supply, setup, 1, step_s, b_plus_a, b2_a);
    if (i >= n_settle) {
      mean_v[0] += supply->b_plus_v / n_mean;
      mean_v[1] += supply->b2_v / n_mean;
    }
  }
}
