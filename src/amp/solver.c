// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/solver.h"
#include "rollbook/amp/lanes.h"

#include <math.h>
#include <string.h>

enum {
  // Unknown currents, by which grids draw some.
  QUIET = RB_CURRENT_GRID,
  OUTPUT = QUIET + RB_NET_PENTODES,
  ALL = RB_CURRENTS,
  MOST_ROUNDS = 40,
};

/// What a step of Newton's method may leave at each port, in units of 0.5 mV at a small tube's
/// grid: a plate's or screen's volts count less by about the tube's amplification.
static const double port_weight[RB_PORTS] = {
    [RB_PORT_GRID] = 2000, 2000, 2000, 2000, 200, 200, 5, 5,
    [RB_PORT_WORK] = 30,   30,   100,  100,  20,  20,  2, 0};

RB_HOT void rb_solver_slow(rb_solver *solver, const double slow[RB_STEP_SLOW],
                           const double extra_a[RB_CURRENTS])
{
  const rb_step *step = &solver->step;
  for (unsigned r = 0; r < RB_STEP_ROWS; r++)
    solver->slow[r] = 0;
  for (unsigned s = 0; s < RB_STEP_SLOW; s++)
    for (unsigned r = 0; slow[s] != 0 && r < RB_STEP_ROWS; r++)
      solver->slow[r] += step->slow[s][r] * slow[s];
  for (unsigned c = 0; c < RB_CURRENTS; c++)
    for (unsigned r = 0; extra_a[c] != 0 && r < RB_STEP_ROWS; r++)
      solver->slow[r] += step->current[c][r] * extra_a[c];
}

/// rows = slow causes + histories + input: everything but the nonlinear currents.
RB_LANE_INLINE void linear_part(const rb_solver *solver, double input_v, double rows[RB_STEP_ROWS])
{
  const rb_step *step = &solver->step;
  double sum[RB_STEP_ROWS];
  for (unsigned r = 0; r < RB_STEP_ROWS; r++)
    sum[r] = solver->slow[r] + step->input[r] * input_v;
  for (size_t s = 0; s < step->n_states; s++) {
    const double h = solver->history[s];
    for (unsigned r = 0; r < RB_STEP_ROWS; r++)
      sum[r] += step->history[s][r] * h;
  }
  memcpy(rows, sum, sizeof sum);
}

RB_LANE_INLINE void add_currents(const rb_step *step, const double *current, unsigned n_currents,
                                 unsigned first_row, unsigned end_row, const double *base,
                                 double *result)
{
  double sum[RB_STEP_ROWS];
  for (unsigned r = first_row; r < end_row; r++)
    sum[r] = base[r];
  for (unsigned c = 0; c < n_currents; c++)
    for (unsigned r = first_row; r < end_row; r++)
      sum[r] += step->current[c][r] * current[c];
  for (unsigned r = first_row; r < end_row; r++)
    result[r] = sum[r];
}

/// The currents as one vector, with the core's.
RB_LANE_INLINE double gather(const rb_solver *solver, const rb_currents *at, const double *v,
                             unsigned n, double current[RB_PORTS])
{
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    current[RB_CURRENT_PLATE + t] = at->plate[t];
  for (unsigned t = 0; t < RB_NET_PENTODES; t++)
    current[RB_CURRENT_SCREEN + t] = at->screen[RB_NET_TRIODES + t];
  double slope;
  const double flux = solver->flux_history + solver->step.flux_step_s * v[RB_PORT_FLUX];
  current[RB_CURRENT_CORE] = rb_net_core(&solver->parts, flux, &slope);
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    if (rb_current_grid(t) < n)
      current[rb_current_grid(t)] = at->grid[t];
  return slope * solver->step.flux_step_s;
}

/// row −= slope · k: one term of (I − G·K | G·r), whose last column comes from k's last column −r.
RB_LANE_INLINE void add_term(double *row, unsigned width, const double *k, double slope)
{
  for (unsigned c = 0; c < width; c++)
    row[c] -= slope * k[c];
}

/// Builds (I − G·K | G·r) for the first n currents; `k` has −r in its column n.
RB_LANE_INLINE void build(const rb_currents *at, double core_slope, const double *k, unsigned n,
                          unsigned width, double *m)
{
  for (unsigned r = 0; r < n; r++)
    for (unsigned c = 0; c < width; c++)
      m[r * width + c] = r == c;
#define TERM(row, port, slope) add_term(m + (row)*width, width, k + (port)*width, slope)
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    TERM(t, RB_PORT_GRID + t, at->plate_by_grid[t]);
    TERM(t, RB_PORT_WORK + t, at->plate_by_work[t]);
  }
  for (unsigned t = RB_NET_TRIODES; t < RB_NET_TUBES; t++) {
    const unsigned screen = RB_CURRENT_SCREEN + t - RB_NET_TRIODES;
    TERM(t, rb_port_plate(t), at->plate_by_plate[t]);
    TERM(screen, RB_PORT_GRID + t, at->screen_by_grid[t]);
    TERM(screen, RB_PORT_WORK + t, at->screen_by_work[t]);
    TERM(screen, rb_port_plate(t), at->screen_by_plate[t]);
  }
  TERM(RB_CURRENT_CORE, RB_PORT_FLUX, core_slope);
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    if (rb_current_grid(t) < n)
      TERM(rb_current_grid(t), RB_PORT_GRID + t, at->grid_by_grid[t]);
#undef TERM
}

/// Gaussian elimination without exchange of rows: passive ports and falling plate currents make the
/// diagonal at least 1 in practice; a pivot near zero is caught by the residual of the next round.
RB_LANE_INLINE void eliminate(double *m, unsigned n, unsigned width, double *x)
{
  double inverse[RB_CURRENTS];
  for (unsigned k = 0; k < n; k++) {
    inverse[k] = 1 / m[k * width + k];
    for (unsigned r = k + 1; r < n; r++) {
      const double f = m[r * width + k] * inverse[k];
      for (unsigned c = (k + 1) & ~3u; c < width; c++)
        m[r * width + c] -= f * m[k * width + c];
    }
  }
  for (unsigned k = n; k-- > 0;) {
    x[k] = m[k * width + n] * inverse[k];
    for (unsigned r = 0; r < k; r++)
      m[r * width + n] -= m[r * width + k] * x[k];
  }
}

/// One round of Newton's method for the first n currents at port voltages `v`: leaves the new
/// currents, goes `share` of the way to the new port voltages, returns the largest weighted change
/// of a port.
RB_LANE_INLINE double newton_round(rb_solver *solver, const rb_currents *at, const double *base,
                                   double share, double *v, double *current, double *k, unsigned n,
                                   unsigned width)
{
  _Alignas(64) double m[RB_CURRENTS * RB_PORTS], fresh[RB_PORTS];
  double change[RB_PORTS];
  const double core_slope = gather(solver, at, v, n, current);
  add_currents(&solver->step, current, n, 0, RB_PORTS, base, fresh);
  for (unsigned p = 0; p < RB_PORTS; p++)
    k[p * width + n] = v[p] - fresh[p];
  build(at, core_slope, k, n, width, m);
  eliminate(m, n, width, change);
  for (unsigned c = 0; c < n; c++)
    current[c] += change[c];
  add_currents(&solver->step, current, n, 0, RB_PORTS, base, fresh);
  double most = 0;
  for (unsigned p = 0; p < RB_PORTS; p++) {
    const double moved = fabs(fresh[p] - v[p]);
    const double weighted = moved * port_weight[p];
    most = weighted > most ? weighted : most;
  }
  const double limit_v = solver->most_step_v;
  for (unsigned p = 0; p < RB_PORTS; p++) {
    const double step = most <= solver->tolerance ? fresh[p] - v[p] : share * (fresh[p] - v[p]);
    v[p] += fabs(step) < limit_v ? step : copysign(limit_v, step);
  }
  return most;
}

/// How many currents are unknown at these port voltages.
RB_LANE_INLINE unsigned unknowns_at(const rb_lanes *lanes, const double *v)
{
  bool live[RB_NET_TUBES];
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    live[t] = v[RB_PORT_GRID + t] + lanes->shift_v[t] > lanes->grid_start_v[t];
  if (live[0] | live[1] | live[2] | live[3])
    return ALL;
  return live[4] | live[5] ? OUTPUT : QUIET;
}

/// Newton's method from port voltages `v`, for at most `most_rounds`; whether it arrived.
RB_LANE_INLINE bool newton(rb_solver *solver, const double *base, double *v, unsigned most_rounds)
{
  rb_currents at;
  unsigned n = unknowns_at(&solver->lanes, v);
  double *const current = solver->current;
  for (unsigned round = 0; round < most_rounds; round++) {
    rb_lanes_at(&solver->lanes, v, &at);
    solver->evaluations++;
    if (!at.grids_live)
      for (unsigned t = 0; t < RB_NET_TUBES; t++)
        at.grid[t] = at.grid_by_grid[t] = 0;
    // Where full steps chase each other round a bend of the curves, shorter ones arrive.
    const double share = round < 8 ? 1 : round < 24 ? 0.5 : 0.2;
    double moved;
    if (n == QUIET)
      moved =
          newton_round(solver, &at, base, share, v, current, &solver->quiet_rows[0][0], QUIET, 12);
    else if (n == OUTPUT)
      moved = newton_round(solver, &at, base, share, v, current, &solver->output_rows[0][0], OUTPUT,
                           12);
    else
      moved = newton_round(solver, &at, base, share, v, current, &solver->all_rows[0][0], ALL, 16);
    const unsigned needed = unknowns_at(&solver->lanes, v);
    if (needed <= n && moved <= solver->tolerance) {
      for (unsigned c = n; c < RB_CURRENTS; c++)
        current[c] = 0;
      return true;
    }
    n = needed > n ? needed : n;
  }
  return false;
}

/// The long way for a violent sample: from the last sample's voltages, which solve a problem that
/// is known, by small changes of the problem to the one asked (continuation).
static __attribute__((noinline)) void newton_by_steps(rb_solver *solver, const double *base,
                                                      double *v)
{
  enum { STEPS = 32 };
  rb_currents at;
  double current[RB_PORTS] = {0}, known[RB_PORTS], between[RB_PORTS];
  memcpy(v, solver->v[0], RB_PORTS * sizeof *v);
  rb_lanes_at(&solver->lanes, v, &at);
  if (!at.grids_live)
    memset(at.grid, 0, sizeof at.grid);
  gather(solver, &at, v, RB_CURRENTS, current);
  for (unsigned p = 0; p < RB_PORTS; p++) {
    known[p] = v[p];
    for (unsigned c = 0; c < RB_CURRENTS; c++)
      known[p] -= solver->step.port_by_current[p][c] * current[c];
  }
  bool arrived = false;
  for (unsigned i = 1; i <= STEPS; i++) {
    for (unsigned p = 0; p < RB_PORTS; p++)
      between[p] = known[p] + (base[p] - known[p]) * i / STEPS;
    arrived = newton(solver, between, v, 60);
  }
  solver->failures += !arrived;
}

RB_LANE_INLINE void one_sample(rb_solver *solver, double input_v)
{
  const rb_step *step = &solver->step;
  _Alignas(64) double rows[RB_STEP_ROWS], v[RB_PORTS];
  linear_part(solver, input_v, rows);
  for (unsigned p = 0; p < RB_PORTS; p++)
    v[p] = 3 * (solver->v[0][p] - solver->v[1][p]) + solver->v[2][p];
  if (!newton(solver, rows, v, MOST_ROUNDS))
    newton_by_steps(solver, rows, v);
  add_currents(step, solver->current, RB_CURRENTS, RB_ROW_STATE, RB_STEP_ROWS, rows, rows);
  memcpy(solver->v[2], solver->v[1], sizeof v);
  memcpy(solver->v[1], solver->v[0], sizeof v);
  memcpy(solver->v[0], v, sizeof v);
  memcpy(solver->history_before, solver->history, sizeof solver->history);
  memcpy(solver->history, rows + RB_ROW_STATE, sizeof solver->history);
  solver->flux_vs = solver->flux_history + step->flux_step_s * v[RB_PORT_FLUX];
  solver->flux_history += step->step_s * v[RB_PORT_FLUX];
  solver->load_v = rows[RB_ROW_LOAD];
  solver->b_plus_a = rows[RB_ROW_B_PLUS_A];
  solver->b2_a = rows[RB_ROW_B2_A];
  solver->samples++;
}

RB_HOT void rb_solver_run(rb_solver *solver, const double *input_v, const double *const noise_v[2],
                          size_t n, double *load_v, double sum_a[2])
{
  const double rest[2] = {solver->lanes.shift_v[0], solver->lanes.shift_v[2]};
  for (size_t i = 0; i < n; i++) {
    solver->lanes.shift_v[0] = rest[0] + noise_v[0][i];
    solver->lanes.shift_v[2] = rest[1] + noise_v[1][i];
    one_sample(solver, input_v[i]);
    load_v[i] = solver->load_v;
    sum_a[0] += solver->b_plus_a;
    sum_a[1] += solver->b2_a;
  }
  solver->lanes.shift_v[0] = rest[0];
  solver->lanes.shift_v[2] = rest[1];
}

void rb_solver_adopt(rb_solver *solver)
{
  for (unsigned p = 0; p < RB_PORTS; p++)
    for (unsigned c = 0; c < 16; c++) {
      const double k = solver->step.port_by_current[p][c];
      solver->all_rows[p][c] = k;
      if (c < 12) {
        solver->quiet_rows[p][c] = c < QUIET ? k : 0;
        solver->output_rows[p][c] = c < OUTPUT ? k : 0;
      }
    }
}

// A capacitor draws g·v − h and goes on with h' = g·v + i; an inductor draws g·v + h, h' = g·v + i.
// Backward Euler: h' = g·v for a capacitor, h' = i for an inductor.
rb_stored rb_solver_stored(const rb_solver *solver, rb_rule rule)
{
  const rb_step *step = &solver->step;
  rb_stored stored = {.flux_vs = solver->flux_vs};
  for (size_t s = 0; s < step->n_states; s++) {
    const double g = step->conductance[s];
    const double h = solver->history[s], before = solver->history_before[s];
    if (rule == RB_BACKWARD_EULER) {
      stored.volts[s] = step->is_capacitor[s] ? h / g : (h - before) / g;
      stored.amps[s] = step->is_capacitor[s] ? h - before : h;
    } else {
      stored.volts[s] = (step->is_capacitor[s] ? h + before : h - before) / (2 * g);
      stored.amps[s] = h - g * stored.volts[s];
    }
  }
  return stored;
}

void rb_solver_resume(rb_solver *solver, const rb_stored *stored, rb_rule rule)
{
  const rb_step *step = &solver->step;
  for (size_t s = 0; s < step->n_states; s++) {
    const double gv = step->conductance[s] * stored->volts[s];
    if (rule == RB_BACKWARD_EULER)
      solver->history[s] = step->is_capacitor[s] ? gv : stored->amps[s];
    else
      solver->history[s] = gv + stored->amps[s];
    solver->history_before[s] = solver->history[s];
  }
  solver->flux_vs = stored->flux_vs;
  solver->flux_history =
      stored->flux_vs +
      (rule == RB_TRAPEZOIDAL ? step->flux_step_s * solver->v[0][RB_PORT_FLUX] : 0);
  memcpy(solver->v[1], solver->v[0], sizeof solver->v[0]);
  memcpy(solver->v[2], solver->v[0], sizeof solver->v[0]);
}
