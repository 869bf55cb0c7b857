// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/netlist.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

// Modified nodal analysis (Ho, Ruehli & Brennan, IEEE Trans. Circuits Syst. 22(6), 1975): unknowns
// are the node voltages but ground, then one current for each source and winding.

enum { UNKNOWNS = 52, MOST = 2 * UNKNOWNS };
_Static_assert(RB_NET_NODES + 10 <= UNKNOWNS, "room for nodes, sources and windings");

/// A square system, later its factors.
typedef struct matrix {
  size_t n;
  double at[MOST][MOST];
  size_t pivot[MOST];
} matrix;

/// Unknown 0 is ground and has no row.
static void stamp(matrix *m, int row, int column, double value)
{
  if (row > 0 && column > 0)
    m->at[row - 1][column - 1] += value;
}

/// A current from `plus` to `minus`, controlled by the voltage from `control` to `reference`.
static void stamp_transfer(matrix *m, int plus, int minus, int control, int reference, double value)
{
  stamp(m, plus, control, value);
  stamp(m, minus, reference, value);
  stamp(m, plus, reference, -value);
  stamp(m, minus, control, -value);
}

static void stamp_conductance(matrix *m, int plus, int minus, double value)
{
  stamp_transfer(m, plus, minus, plus, minus, value);
}

static void stamp_branch(matrix *m, const rb_net *net, size_t i, int branch)
{
  stamp(m, net->plus[i], branch, 1);
  stamp(m, net->minus[i], branch, -1);
  stamp(m, branch, net->plus[i], 1);
  stamp(m, branch, net->minus[i], -1);
  if (net->row[i].kind == RB_NET_WINDING) {
    const int flux = rb_net_node(net, "flux");
    stamp(m, branch, flux, -net->row[i].value);
    stamp(m, flux, branch, -net->row[i].value);
  }
}

static void clear(matrix *m, size_t n)
{
  m->n = n;
  for (size_t r = 0; r < n; r++)
    memset(m->at[r], 0, n * sizeof m->at[r][0]);
}

static bool factor(matrix *m)
{
  for (size_t k = 0; k < m->n; k++) {
    size_t best = k;
    for (size_t r = k + 1; r < m->n; r++)
      if (fabs(m->at[r][k]) > fabs(m->at[best][k]))
        best = r;
    m->pivot[k] = best;
    if (!(fabs(m->at[best][k]) > 1e-300))
      return false;
    for (size_t c = 0; c < m->n && best != k; c++) {
      const double swap = m->at[k][c];
      m->at[k][c] = m->at[best][c];
      m->at[best][c] = swap;
    }
    for (size_t r = k + 1; r < m->n; r++) {
      if (m->at[r][k] == 0)
        continue;
      const double f = m->at[r][k] /= m->at[k][k];
      for (size_t c = k + 1; c < m->n; c++)
        m->at[r][c] -= f * m->at[k][c];
    }
  }
  return true;
}

static void solve(const matrix *m, double x[MOST])
{
  for (size_t k = 0; k < m->n; k++) {
    const double swap = x[k];
    x[k] = x[m->pivot[k]];
    x[m->pivot[k]] = swap;
  }
  for (size_t k = 0; k < m->n; k++)
    for (size_t c = 0; c < k; c++)
      x[k] -= m->at[k][c] * x[c];
  for (size_t k = m->n; k-- > 0;) {
    for (size_t c = k + 1; c < m->n; c++)
      x[k] -= m->at[k][c] * x[c];
    x[k] /= m->at[k][k];
  }
}

/// Where things stand in a net: unknown of each source, nodes of each port.
typedef struct places {
  int source[RB_NET_SOURCES];
  int port_plus[RB_PORTS], port_minus[RB_PORTS];
  int cathode[RB_STEP_SLOW - RB_SLOW_CATHODE];
  int output;
  size_t n_unknowns;
} places;

static places find_places(const rb_net *net)
{
  places at = {.output = rb_net_node(net, "output")};
  int branch = (int)net->n_nodes;
  for (size_t i = 0, s = 0; i < net->n_rows; i++)
    if (net->row[i].kind == RB_NET_SOURCE)
      at.source[s++] = branch++;
    else if (net->row[i].kind == RB_NET_WINDING)
      branch++;
  at.n_unknowns = (size_t)branch - 1;
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const rb_net_tube *tube = &rb_net_tubes[t];
    const unsigned ports[3] = {RB_PORT_GRID + t, rb_port_plate(t), RB_PORT_WORK + t};
    const char *nodes[3] = {tube->grid, tube->plate, tube->screen};
    for (int p = 0; p < 3; p++)
      if (nodes[p]) {
        at.port_plus[ports[p]] = rb_net_node(net, nodes[p]);
        at.port_minus[ports[p]] = rb_net_node(net, tube->cathode);
      }
  }
  at.port_plus[RB_PORT_FLUX] = rb_net_node(net, "flux");
  for (unsigned k = 0; k < RB_LEN(at.cathode); k++)
    at.cathode[k] = rb_net_node(net, rb_net_tubes[k].cathode);
  return at;
}

/// The port a current flows through.
static unsigned port_of_current(unsigned current)
{
  if (current < RB_CURRENT_SCREEN)
    return rb_port_plate(current);
  if (current < RB_CURRENT_CORE)
    return RB_PORT_WORK + RB_NET_TRIODES + current - RB_CURRENT_SCREEN;
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    if (rb_current_grid(t) == current)
      return RB_PORT_GRID + t;
  return RB_PORT_FLUX;
}

static bool is_reactive(const rb_net_row *row)
{
  return row->kind == RB_NET_CAPACITOR || row->kind == RB_NET_INDUCTOR;
}

/// The parts that do not depend on frequency or step.
static void stamp_resistive(matrix *m, const rb_net *net, double core_loss_ohm)
{
  int branch = (int)net->n_nodes;
  for (size_t i = 0; i < net->n_rows; i++)
    if (net->row[i].kind == RB_NET_RESISTOR)
      stamp_conductance(m, net->plus[i], net->minus[i], 1 / net->row[i].value);
    else if (!is_reactive(&net->row[i]))
      stamp_branch(m, net, i, branch++);
  stamp_conductance(m, rb_net_node(net, "flux"), 0, 1 / core_loss_ohm);
}

static double node_of(const double x[MOST], int node)
{
  return node > 0 ? x[node - 1] : 0;
}

/// What one solved cause means for every row of the step. `own` is the state whose history was the
/// cause, or −1.
static void read_column(const rb_net *net, const places *at, const rb_step *step, rb_rule rule,
                        int own, const double x[MOST], double column[RB_STEP_ROWS])
{
  for (unsigned p = 0; p < RB_PORTS; p++)
    column[p] = node_of(x, at->port_plus[p]) - node_of(x, at->port_minus[p]);
  size_t state = 0;
  for (size_t i = 0; i < net->n_rows; i++) {
    if (!is_reactive(&net->row[i]))
      continue;
    const double volts = node_of(x, net->plus[i]) - node_of(x, net->minus[i]);
    const double again = rule == RB_TRAPEZOIDAL ? 2 : 1;
    double next = again * step->conductance[state] * volts;
    if ((int)state == own && step->is_capacitor[state])
      next -= rule == RB_TRAPEZOIDAL ? 1 : 0;
    else if ((int)state == own)
      next += 1;
    column[RB_ROW_STATE + state++] = next;
  }
  column[RB_ROW_LOAD] = node_of(x, at->output);
  column[RB_ROW_B_PLUS_A] = -node_of(x, at->source[RB_NET_B_PLUS]);
  column[RB_ROW_B2_A] = -node_of(x, at->source[RB_NET_B2]);
}

static void inject(double x[MOST], int node, double current)
{
  if (node > 0)
    x[node - 1] += current;
}

/// Conductances of the reactive parts for this step.
static void companions(const rb_net *net, rb_rule rule, rb_step *step)
{
  const double factor = rule == RB_TRAPEZOIDAL ? 2 : 1;
  step->n_states = 0;
  for (size_t i = 0; i < net->n_rows; i++) {
    const rb_net_row *row = &net->row[i];
    if (!is_reactive(row))
      continue;
    const bool capacitor = row->kind == RB_NET_CAPACITOR;
    step->is_capacitor[step->n_states] = capacitor;
    step->conductance[step->n_states++] =
        capacitor ? factor * row->value / step->step_s : step->step_s / (factor * row->value);
  }
}

/// Histories: a capacitor draws g·v − h, an inductor g·v + h.
static void history_columns(const rb_net *net, const places *at, rb_rule rule, const matrix *m,
                            rb_step *step)
{
  int state = 0;
  for (size_t i = 0; i < net->n_rows; i++) {
    if (!is_reactive(&net->row[i]))
      continue;
    double x[MOST] = {0};
    const double sign = step->is_capacitor[state] ? 1 : -1;
    inject(x, net->plus[i], sign);
    inject(x, net->minus[i], -sign);
    solve(m, x);
    read_column(net, at, step, rule, state, x, step->history[state]);
    state++;
  }
}

static void other_columns(const rb_net *net, const places *at, rb_rule rule, const matrix *m,
                          rb_step *step)
{
  for (unsigned s = 0; s < RB_NET_SOURCES; s++) {
    double x[MOST] = {0};
    inject(x, at->source[s], 1);
    solve(m, x);
    read_column(net, at, step, rule, -1, x,
                s == RB_NET_INPUT ? step->input : step->slow[RB_SLOW_B_PLUS + s - RB_NET_B_PLUS]);
  }
  for (unsigned k = 0; k < RB_LEN(at->cathode); k++) {
    double x[MOST] = {0};
    inject(x, at->cathode[k], 1);
    solve(m, x);
    read_column(net, at, step, rule, -1, x, step->slow[RB_SLOW_CATHODE + k]);
  }
  for (unsigned c = 0; c < RB_CURRENTS; c++) {
    double x[MOST] = {0};
    const unsigned port = port_of_current(c);
    inject(x, at->port_plus[port], -1);
    inject(x, at->port_minus[port], 1);
    solve(m, x);
    read_column(net, at, step, rule, -1, x, step->current[c]);
    for (unsigned p = 0; p < RB_PORTS; p++)
      step->port_by_current[p][c] = step->current[c][p];
  }
}

rb_status rb_step_build(const rb_net *net, double core_loss_ohm, double step_s, rb_rule rule,
                        rb_step *step)
{
  matrix m;
  const places at = find_places(net);
  memset(step, 0, sizeof *step);
  step->step_s = step_s;
  step->flux_step_s = rule == RB_TRAPEZOIDAL ? step_s / 2 : step_s;
  companions(net, rule, step);
  clear(&m, at.n_unknowns);
  stamp_resistive(&m, net, core_loss_ohm);
  for (size_t i = 0, state = 0; i < net->n_rows; i++)
    if (is_reactive(&net->row[i]))
      stamp_conductance(&m, net->plus[i], net->minus[i], step->conductance[state++]);
  if (!factor(&m))
    return RB_NO_CONVERGENCE;
  history_columns(net, &at, rule, &m, step);
  other_columns(net, &at, rule, &m, step);
  return RB_OK;
}

static void stamp_tubes(matrix *m, const rb_net *net, const rb_net_small *small)
{
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const rb_net_tube *tube = &rb_net_tubes[t];
    const rb_tube_point *at = &small->tube[t];
    const int g = rb_net_node(net, tube->grid), p = rb_net_node(net, tube->plate);
    const int k = rb_net_node(net, tube->cathode);
    stamp_transfer(m, p, k, g, k, at->plate_by_grid);
    stamp_transfer(m, p, k, p, k, at->plate_by_plate);
    stamp_transfer(m, g, k, g, k, at->grid_by_grid);
    if (!tube->screen)
      continue;
    const int s = rb_net_node(net, tube->screen);
    stamp_transfer(m, p, k, s, k, at->plate_by_screen);
    stamp_transfer(m, s, k, g, k, at->screen_by_grid);
    stamp_transfer(m, s, k, p, k, at->screen_by_plate);
    stamp_transfer(m, s, k, s, k, at->screen_by_screen);
  }
}

/// Fills the imaginary part B of the admittances into the real system [G −B; B G].
static void stamp_reactive(matrix *m, const rb_net *net, const rb_net_small *small, double omega,
                           size_t n)
{
  matrix b;
  clear(&b, n);
  for (size_t i = 0; i < net->n_rows; i++)
    if (is_reactive(&net->row[i]))
      stamp_conductance(&b, net->plus[i], net->minus[i],
                        net->row[i].kind == RB_NET_CAPACITOR ? omega * net->row[i].value
                                                             : -1 / (omega * net->row[i].value));
  stamp_conductance(&b, rb_net_node(net, "flux"), 0, -small->core_by_flux / omega);
  for (size_t r = 0; r < n; r++)
    for (size_t c = 0; c < n; c++) {
      m->at[r + n][c + n] = m->at[r][c];
      m->at[r][c + n] = -b.at[r][c];
      m->at[r + n][c] = b.at[r][c];
    }
}

rb_status rb_net_linear(const rb_net *net, const rb_net_small *small, double frequency_hz,
                        const rb_net_sources *sources, double into_load_a, rb_net_phasors *result)
{
  matrix m;
  const places at = find_places(net);
  const size_t n = at.n_unknowns;
  clear(&m, 2 * n);
  stamp_resistive(&m, net, small->core_loss_ohm);
  stamp_tubes(&m, net, small);
  stamp_reactive(&m, net, small, 2 * RB_PI * frequency_hz, n);
  double x[MOST] = {0};
  for (unsigned s = 0; s < RB_NET_SOURCES; s++) {
    x[at.source[s] - 1] = sources->volts[s][0];
    x[n + (size_t)at.source[s] - 1] = sources->volts[s][1];
  }
  inject(x, at.output, into_load_a);
  if (!factor(&m))
    return RB_NO_CONVERGENCE;
  solve(&m, x);
  memset(result, 0, sizeof *result);
  for (unsigned part = 0; part < 2; part++) {
    for (size_t i = 1; i < net->n_nodes; i++)
      result->node[i][part] = x[part * n + i - 1];
    for (unsigned s = 0; s < RB_NET_SOURCES; s++)
      result->source_a[s][part] = -x[part * n + (size_t)at.source[s] - 1];
  }
  return RB_OK;
}
