// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_AMP_SOLVER_H
#define ROLLBOOK_AMP_SOLVER_H

#include "rollbook/amp/netlist.h"

// Numbers without a unit, and mixed vectors and slopes whose units stand beside them:
// unitless: inverse_mu, exponent, kp, inverse_kp, kvb, scale, scale2, knee, early, rise
// unitless: grid_slope, plate, screen, grid, plate_by_grid, plate_by_work, plate_by_plate
// unitless: screen_by_grid, screen_by_work, screen_by_plate, grid_by_grid, quiet_rows
// unitless: output_rows, all_rows, slow, history, history_before, current, flux_history, flux_vs
// unitless: tolerance, volts, amps

/// The circuit of one channel in motion: linear part as matrices, tubes and core by Newton's
/// method on their currents, sample by sample.

enum { RB_LANES = 8 }; ///< Six tubes and two places without meaning.

/// The tubes as the solver sees them, side by side.
typedef struct rb_lanes {
  _Alignas(64) double shift_v[RB_LANES]; ///< Added to the grid voltage: cut-off, noise.
  double inverse_mu[RB_LANES], exponent[RB_LANES];
  double kp[RB_LANES], inverse_kp[RB_LANES], kvb[RB_LANES];
  double scale[RB_LANES];                                 ///< gm · emission / kg.
  double scale2[RB_LANES];                                ///< The same over kg2.
  double knee[RB_LANES], early[RB_LANES], rise[RB_LANES]; ///< 1/V, 1/V, 1.
  double isat_a[RB_LANES];                                ///< 0: no limit.
  double grid_slope[RB_LANES], grid_start_v[RB_LANES];
  bool any_limit;
} rb_lanes;

/// Currents and slopes at one vector of port voltages.
typedef struct rb_currents {
  _Alignas(64) double plate[RB_LANES], screen[RB_LANES], grid[RB_LANES];
  double plate_by_grid[RB_LANES], plate_by_work[RB_LANES], plate_by_plate[RB_LANES];
  double screen_by_grid[RB_LANES], screen_by_work[RB_LANES], screen_by_plate[RB_LANES];
  double grid_by_grid[RB_LANES];
  bool grids_live; ///< Some grid draws current.
} rb_currents;

/// All six tubes at once. `v` is a port vector. "work" is the plate of a triode, the screen of a
/// pentode; the two "plate" slopes are for pentodes.
void rb_lanes_at(const rb_lanes *lanes, const double v[RB_PORTS], rb_currents *at);

typedef struct rb_solver {
  rb_step step;
  rb_lanes lanes;
  rb_amp_parts parts;
  /// Ports by currents as rows, with a last column for Newton's residual, for three states: no grid
  /// draws current (9 unknown currents), only output grids do (11), any grid may (15).
  _Alignas(64) double quiet_rows[RB_PORTS][12];
  double output_rows[RB_PORTS][12];
  double all_rows[RB_PORTS][16];
  _Alignas(64) double slow[RB_STEP_ROWS]; ///< Sum of all slow causes, set by rb_solver_slow.
  double history[RB_STEP_STATES];         ///<
  double history_before[RB_STEP_STATES];  ///< One sample earlier: to change the step.
  double v[3][RB_PORTS];                  ///< Port voltages, newest first.
  double current[RB_PORTS];               ///< Port currents of the newest sample.
  double flux_history;                    ///<
  double flux_vs;                         ///< Of the newest sample.
  double load_v, b_plus_a, b2_a;          ///< Outputs of the newest sample.
  double tolerance;                       ///< 1: Newton stops within some 0.5 mV of a grid.
  double most_step_v;                     ///< Limit of a Newton step.
  unsigned long samples, evaluations, failures;
} rb_solver;

/// Takes a new step into use; `solver->step` has been built.
void rb_solver_adopt(rb_solver *solver);

/// Slow causes from here on: four supply voltages, currents into three cathodes, and currents added
/// to those the tubes draw (plates, screens, core, grids, in the order of the port currents).
void rb_solver_slow(rb_solver *solver, const double slow[RB_STEP_SLOW],
                    const double extra_a[RB_CURRENTS]);

/// One sample after another: input volts, noise volts added at the grids of tubes 0 and 2; volts at
/// the load out. Adds the currents drawn from B+ and B2 to sum_a.
void rb_solver_run(rb_solver *solver, const double *input_v, const double *const noise_v[2],
                   size_t n, double *load_v, double sum_a[2]);

/// Voltage and current of a reactive part, voltage and flux of the core.
typedef struct rb_stored {
  double volts[RB_STEP_STATES], amps[RB_STEP_STATES];
  double flux_vs;
} rb_stored;

/// What the reactive parts hold now, and the way to go on from it with another step.
rb_stored rb_solver_stored(const rb_solver *solver, rb_rule rule);
void rb_solver_resume(rb_solver *solver, const rb_stored *stored, rb_rule rule);

#endif
