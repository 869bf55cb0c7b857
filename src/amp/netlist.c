// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/netlist.h"

#include <math.h>
#include <string.h>

/// Everything a row's value can refer to.
typedef struct values {
  rb_amp_parts part;
  double tap_outer, tap_inner; ///< Windings of a half primary as shares of plate to plate.
  double secondary;            ///< Secondary as share of plate to plate.
  double load;
  double zero;
} values;

typedef struct row {
  rb_net_kind kind;
  const char *name, *plus, *minus;
  size_t offset;
} row;

#define P(member) offsetof(values, part.member)
#define V(member) offsetof(values, member)
#define R(name, plus, minus, value)                                                                \
  {                                                                                                \
    RB_NET_RESISTOR, name, plus, minus, value                                                      \
  }
#define C(name, plus, minus, value)                                                                \
  {                                                                                                \
    RB_NET_CAPACITOR, name, plus, minus, value                                                     \
  }
#define L(name, plus, minus, value)                                                                \
  {                                                                                                \
    RB_NET_INDUCTOR, name, plus, minus, value                                                      \
  }
#define S(name, plus)                                                                              \
  {                                                                                                \
    RB_NET_SOURCE, name, plus, "0", V(zero)                                                        \
  }
#define W(name, plus, minus, value)                                                                \
  {                                                                                                \
    RB_NET_WINDING, name, plus, minus, value                                                       \
  }

static const row circuit[] = {
    S("input", "input"),
    S("b_plus", "b_plus"),
    S("b2", "b2"),
    S("bias_a", "bias_a"),
    S("bias_b", "bias_b"),
    // Voltage amplifier; its cathode is the feedback node.
    R("source", "input", "grid1", P(source_resistance)),
    C("miller", "grid1", "plate1", P(driver_miller)),
    R("load1", "b3", "plate1", P(driver_load)),
    R("cathode1", "cathode1", "0", P(driver_cathode)),
    C("shunt1", "plate1", "0", P(driver_shunt)),
    R("step_r", "plate1", "step", P(step_resistance)),
    C("step_c", "step", "0", P(step_capacitance)),
    // Cathode follower, straight from that plate, and the supply of both.
    R("cathode2", "cathode2", "0", P(follower_cathode)),
    R("front_r", "b2", "b3", P(front_resistance)),
    C("front_c", "b3", "0", P(front_capacitance)),
    // Long-tailed pair.
    R("tail", "tail", "0", P(inverter_tail)),
    R("grid_r", "cathode2", "grid3b", P(inverter_grid)),
    C("grid_c", "grid3b", "0", P(inverter_bypass)),
    R("load3a", "b2", "plate3a", P(inverter_load_a)),
    R("load3b", "b2", "plate3b", P(inverter_load_b)),
    C("shunt3a", "plate3a", "0", P(inverter_shunt)),
    C("shunt3b", "plate3b", "0", P(inverter_shunt)),
    // To the output grids.
    C("coupling_a", "plate3a", "leak_a", P(coupling)),
    C("coupling_b", "plate3b", "leak_b", P(coupling)),
    R("leaky_a", "plate3a", "leak_a", P(coupling_leak_a)),
    R("leaky_b", "plate3b", "leak_b", P(coupling_leak_b)),
    R("leak_a", "leak_a", "bias_a", P(grid_leak)),
    R("leak_b", "leak_b", "bias_b", P(grid_leak)),
    R("stopper_a", "leak_a", "grid_a", P(grid_stopper)),
    R("stopper_b", "leak_b", "grid_b", P(grid_stopper)),
    C("shunt_a", "grid_a", "0", P(grid_shunt)),
    C("shunt_b", "grid_b", "0", P(grid_shunt)),
    // Output transformer: two tapped halves and the secondary on one core.
    R("screen_a", "tap_a", "screen_a", P(screen_stopper)),
    R("screen_b", "tap_b", "screen_b", P(screen_stopper)),
    W("half_a1", "tap_a", "b_plus", V(tap_inner)),
    W("half_a2", "inner_a", "tap_a", V(tap_outer)),
    W("half_b1", "b_plus", "tap_b", V(tap_inner)),
    W("half_b2", "tap_b", "inner_b", V(tap_outer)),
    R("dcr_a", "inner_a", "leakage_a", P(primary_dcr)),
    R("dcr_b", "inner_b", "leakage_b", P(primary_dcr_b)),
    L("leakage_a", "leakage_a", "plate_a", P(leakage)),
    L("leakage_b", "leakage_b", "plate_b", P(leakage_b)),
    C("winding", "plate_a", "plate_b", P(winding_capacitance)),
    W("secondary", "0", "secondary", V(secondary)),
    R("dcr_s", "secondary", "output", P(secondary_dcr)),
    R("feedback_r", "output", "cathode1", P(feedback_resistance)),
    C("feedback_c", "output", "cathode1", P(feedback_capacitance)),
};

static const row resistive_load[] = {R("load", "output", "0", V(load))};

/// A loudspeaker-like load: voice coil, and a resonance of Q 4 at 50 Hz beside it.
static const rb_net_row speaker_load[] = {
    {RB_NET_RESISTOR, "coil_r", "output", "coil", 6.2},
    {RB_NET_INDUCTOR, "coil_l", "coil", "cone", 0.5e-3},
    {RB_NET_RESISTOR, "cone_r", "cone", "0", 40},
    {RB_NET_INDUCTOR, "cone_l", "cone", "0", 0.0318309886183791},   // 40/(2π·50·4)
    {RB_NET_CAPACITOR, "cone_c", "cone", "0", 318.309886183791e-6}, // 4/(2π·50·40)
};

const rb_net_tube rb_net_tubes[RB_NET_TUBES] = {
    {"V1a", "grid1", NULL, "plate1", "cathode1", RB_AMP_DRIVER, 0},
    {"V1b", "plate1", NULL, "b3", "cathode2", RB_AMP_DRIVER, 1},
    {"V2a", "cathode2", NULL, "plate3a", "tail", RB_AMP_INVERTER, 0},
    {"V2b", "grid3b", NULL, "plate3b", "tail", RB_AMP_INVERTER, 1},
    {"V3", "grid_a", "screen_a", "plate_a", "0", RB_AMP_PUSH, 0},
    {"V4", "grid_b", "screen_b", "plate_b", "0", RB_AMP_PULL, 0},
};

int rb_net_node(const rb_net *net, const char *name)
{
  for (size_t i = 0; i < net->n_nodes; i++)
    if (strcmp(net->node[i], name) == 0)
      return (int)i;
  return -1;
}

static int intern(rb_net *net, const char *name)
{
  const int known = rb_net_node(net, name);
  if (known >= 0)
    return known;
  net->node[net->n_nodes] = name;
  return (int)net->n_nodes++;
}

static void add_row(rb_net *net, rb_net_row added)
{
  const size_t i = net->n_rows++;
  net->row[i] = added;
  net->plus[i] = intern(net, added.plus);
  net->minus[i] = intern(net, added.minus);
}

static void add_rows(rb_net *net, const row *rows, size_t n_rows, const values *known)
{
  for (size_t i = 0; i < n_rows; i++) {
    double value;
    memcpy(&value, (const char *)known + rows[i].offset, sizeof value);
    add_row(net, (rb_net_row){rows[i].kind, rows[i].name, rows[i].plus, rows[i].minus, value});
  }
}

_Static_assert(RB_LEN(circuit) + RB_LEN(speaker_load) <= RB_NET_ROWS, "the net has room");

/// A leaky capacitor entered with the tube behind it counts beside the part's own leak.
static double leak_beside(double part_ohm, const rb_tube_truth *tube)
{
  return tube->coupling_leak_ohm > 0 ? 1 / (1 / part_ohm + 1 / tube->coupling_leak_ohm) : part_ohm;
}

void rb_net_build(const rb_amp_setup *setup, unsigned channel, rb_net *net)
{
  const rb_amp_parts *part = &setup->parts[channel];
  const rb_tube_truth *tubes = &setup->tubes[channel * RB_AMP_PER_CHANNEL];
  values known = {.part = *part,
                  .tap_inner = part->screen_tap / 2,
                  .tap_outer = (1 - part->screen_tap) / 2,
                  .secondary = sqrt(part->secondary_ohm / part->primary_ohm),
                  .load = setup->load_ohm};
  known.part.coupling_leak_a = leak_beside(part->coupling_leak_a, &tubes[RB_AMP_PUSH]);
  known.part.coupling_leak_b = leak_beside(part->coupling_leak_b, &tubes[RB_AMP_PULL]);
  memset(net, 0, sizeof *net);
  intern(net, "0");
  intern(net, "flux");
  add_rows(net, circuit, RB_LEN(circuit), &known);
  if (!setup->speaker)
    add_rows(net, resistive_load, RB_LEN(resistive_load), &known);
  else
    for (size_t i = 0; i < RB_LEN(speaker_load); i++)
      add_row(net, speaker_load[i]);
}

double rb_net_core(const rb_amp_parts *parts, double flux_vs, double *slope)
{
  const double x2 = (flux_vs / parts->saturation) * (flux_vs / parts->saturation);
  const double x6 = x2 * x2 * x2;
  *slope = (1 + 7 * x6) / parts->magnetising;
  return flux_vs / parts->magnetising * (1 + x6);
}
