// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_AMP_NETLIST_H
#define ROLLBOOK_AMP_NETLIST_H

#include "rollbook/amp/simulated.h"

#include <stddef.h>

// Numbers without a unit, and mixed vectors and slopes whose units stand beside them:
// unitless: flux_vs, history, slow, input, current, port_by_current, conductance, core_by_flux
// unitless: volts, node

/// The circuit of one channel as rows with node names, and the same circuit as the matrices of one
/// time step. Nothing but the table in src/amp/netlist.c knows how the amplifier is wired.

typedef enum rb_net_kind {
  RB_NET_RESISTOR,
  RB_NET_CAPACITOR,
  RB_NET_INDUCTOR,
  RB_NET_SOURCE, ///< Ideal voltage source from `minus` to `plus`; an input of the circuit.
  RB_NET_WINDING ///< v(plus) − v(minus) = value · v("flux"): windings on one core.
} rb_net_kind;

typedef struct rb_net_row {
  rb_net_kind kind;
  const char *name, *plus, *minus; ///< Node "0" is ground.
  double value;
} rb_net_row;

/// The inputs, in the order of the source rows.
enum {
  RB_NET_INPUT,
  RB_NET_B_PLUS,
  RB_NET_B2,
  RB_NET_BIAS_A,
  RB_NET_BIAS_B,
  RB_NET_SOURCES,
};

/// Tubes of one channel: four triodes, then two pentodes.
enum { RB_NET_TUBES = 6, RB_NET_TRIODES = 4, RB_NET_PENTODES = 2 };

typedef struct rb_net_tube {
  const char *name, *grid, *screen, *plate, *cathode; ///< `screen` NULL for triodes.
  unsigned socket;                                    ///< RB_AMP_DRIVER …
  unsigned section;                                   ///< 0 or 1.
} rb_net_tube;

extern const rb_net_tube rb_net_tubes[RB_NET_TUBES];

enum { RB_NET_ROWS = 56, RB_NET_NODES = 40 };

typedef struct rb_net {
  rb_net_row row[RB_NET_ROWS];
  int plus[RB_NET_ROWS], minus[RB_NET_ROWS]; ///< Node numbers; 0 is ground.
  size_t n_rows;
  const char *node[RB_NET_NODES];
  size_t n_nodes; ///< With ground.
} rb_net;

/// The channel of a setup, with its parts and load.
void rb_net_build(const rb_amp_setup *setup, unsigned channel, rb_net *net);

/// The number of a node, or −1.
int rb_net_node(const rb_net *net, const char *name);

/// The core's magnetising current at flux linkage λ (volt-seconds, plate to plate), and its slope.
double rb_net_core(const rb_amp_parts *parts, double flux_vs, double *slope);

/// Ports: the voltages the nonlinear parts feel, ordered so that the six current laws can be
/// worked out side by side. Currents: what those parts draw.
enum {
  RB_PORT_GRID = 0,     ///< Six grids.
  RB_PORT_PLATE5 = 6,   ///< Plates of the two pentodes.
  RB_PORT_WORK = 8,     ///< Plates of the four triodes, then screens of the pentodes.
  RB_PORT_FLUX = 14,    ///< Core: volts plate to plate.
  RB_PORTS = 16,        ///< With one unused.
  RB_CURRENT_PLATE = 0, ///< Six plates.
  RB_CURRENT_SCREEN = 6,
  RB_CURRENT_CORE = 8,
  RB_CURRENT_GRID = 9, ///< Grids: of the two pentodes, then of the triodes; zero but in overload.
  RB_CURRENTS = 15,
};

/// Port of a tube's grid, plate, screen.
static inline unsigned rb_port_plate(unsigned tube)
{
  return tube < RB_NET_TRIODES ? RB_PORT_WORK + tube : RB_PORT_PLATE5 + tube - RB_NET_TRIODES;
}

/// Number of a tube's grid current.
static inline unsigned rb_current_grid(unsigned tube)
{
  return RB_CURRENT_GRID + (tube + RB_NET_PENTODES) % RB_NET_TUBES;
}

/// Sizes of the step's matrices, padded to whole vectors.
enum {
  RB_STEP_STATES = 20,
  RB_STEP_SLOW = 7, ///< B+, B2, two biases, then currents into three cathodes.
  RB_STEP_OUTPUTS = 4,
  RB_STEP_ROWS = RB_PORTS + RB_STEP_STATES + RB_STEP_OUTPUTS,
  RB_ROW_STATE = RB_PORTS,
  RB_ROW_LOAD = RB_PORTS + RB_STEP_STATES,
  RB_ROW_B_PLUS_A, ///< Current drawn from B+.
  RB_ROW_B2_A,     ///< Current drawn from B2.
};

enum { RB_SLOW_B_PLUS, RB_SLOW_B2, RB_SLOW_BIAS_A, RB_SLOW_BIAS_B, RB_SLOW_CATHODE };

/// One time step of the linear part. Each column says what one cause adds to all rows: ports, next
/// histories, outputs.
typedef struct rb_step {
  _Alignas(64) double history[RB_STEP_STATES][RB_STEP_ROWS];
  double slow[RB_STEP_SLOW][RB_STEP_ROWS];
  double input[RB_STEP_ROWS];
  double current[RB_PORTS][RB_STEP_ROWS];     ///< By port currents; RB_CURRENTS used.
  double port_by_current[RB_PORTS][RB_PORTS]; ///< The same, ports only, a row a port.
  double conductance[RB_STEP_STATES];         ///< Of each reactive part in this step.
  bool is_capacitor[RB_STEP_STATES];
  size_t n_states;
  double step_s;
  double flux_step_s; ///< λ = history + flux_step_s · U.
} rb_step;

typedef enum rb_rule { RB_TRAPEZOIDAL, RB_BACKWARD_EULER } rb_rule;

/// RB_NO_CONVERGENCE when the circuit's matrix is singular (a part of zero ohms).
RB_NODISCARD rb_status rb_step_build(const rb_net *net, double core_loss_ohm, double step_s,
                                     rb_rule rule, rb_step *step);

/// Small-signal conductances for rb_net_linear.
typedef struct rb_net_small {
  rb_tube_point tube[RB_NET_TUBES];
  double core_by_flux; ///< A/Vs.
  double core_loss_ohm;
} rb_net_small;

/// Phasors of the sources, real and imaginary parts.
typedef struct rb_net_sources {
  double volts[RB_NET_SOURCES][2];
} rb_net_sources;

/// Phasors of the linear circuit at `frequency_hz`.
typedef struct rb_net_phasors {
  double node[RB_NET_NODES][2];       ///< Real and imaginary part; ground is 0.
  double source_a[RB_NET_SOURCES][2]; ///< Current drawn from each source.
} rb_net_phasors;

/// Solves the circuit made linear, with these phasors at the sources and a current `into_load_a`
/// into the output node.
RB_NODISCARD rb_status rb_net_linear(const rb_net *net, const rb_net_small *small,
                                     double frequency_hz, const rb_net_sources *sources,
                                     double into_load_a, rb_net_phasors *result);

#endif
