// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_AMP_STATE_H
#define ROLLBOOK_AMP_STATE_H

#include "rollbook/amp/netlist.h"
#include "rollbook/amp/solver.h"
#include "rollbook/base/random.h"

// Numbers without a unit, and mixed vectors and slopes whose units stand beside them:
// unitless: mains_cycle, warm, ring, loose_depth, flicker, base_scale, base_scale2
// unitless: warm_scale, warm_scale2, noise0, noise2, strength

/// What the files of this room share about the running amplifier. Other rooms use simulated.h.

/// The supply: full-wave rectifier, choke, series tube. Stepped once a tick.
typedef struct rb_supply {
  double raw_v;       ///< First capacitor.
  double choke_a;     ///<
  double b_plus_v;    ///<
  double grid_v;      ///< Of the filter tube.
  double b2_v;        ///<
  double mains_cycle; ///< 0 … 1.
} rb_supply;

/// One step of `step_s` with these currents drawn.
void rb_supply_step(rb_supply *supply, const rb_amp_setup *setup, double warm, double step_s,
                    double b_plus_a, double b2_a);

/// Runs it with steady currents until the ripple repeats; leaves the means in mean_v.
void rb_supply_rest(rb_supply *supply, const rb_amp_setup *setup, double b_plus_a, double b2_a,
                    double mean_v[2]);

enum { RB_FLICKER_POLES = 6 };

/// What happens at random, or by itself, in one section of a tube.
typedef struct rb_unrest {
  double ring[2];          ///< A damped rotation.
  double pop_a, crackle_a; ///< Decaying plate currents.
  double crackle_left_s;   ///< Of a burst going on.
  bool burst_high;         ///<
  double loose_left_s, loose_depth;
  double flicker[RB_FLICKER_POLES];
  double loose_factor; ///< On the section's currents, 1 when in contact.
} rb_unrest;

typedef struct rb_amp_channel {
  rb_net net;
  rb_solver solver;
  rb_supply supply; ///< Its own copy, with the other channel's current one block late.
  double bias_v[2];
  double filter_share, gas_share; ///< Warmth of the filter tube, and of gas, at this age.
  double idle_a[4]; ///< Push and pull, plate and screen: means over a tenth of a second.
  double own_a[2];  ///< Means drawn from B+ and B2 in the last tick.
  double base_shift_v[RB_LANES];
  double base_scale[RB_LANES], base_scale2[RB_LANES]; ///< When warm.
  double warm_scale[RB_LANES], warm_scale2[RB_LANES]; ///< At the amplifier's age.
  rb_unrest unrest[RB_NET_TUBES];
  rb_random random;
} rb_amp_channel;

struct rb_amp {
  rb_amp_setup setup;
  rb_amp_channel channel[RB_AMP_CHANNELS];
  double rate_hz;
  size_t tick_samples;
  double tick_s;
  double age_s;
  unsigned parity;
  size_t drawn_ticks;
  double drawn_a[2][RB_AMP_CHANNELS][RB_AMP_BLOCK][2]; ///< By parity, channel, tick.
};

/// What one tick adds to the circuit.
typedef struct rb_tick {
  double cathode_a[RB_STEP_SLOW - RB_SLOW_CATHODE];
  double extra_a[RB_CURRENTS];
  double grid_v[RB_NET_TUBES];
} rb_tick;

/// Advances all that happens by itself in a channel by one tick.
void rb_unrest_tick(rb_amp *amp, unsigned channel, rb_tick *tick);

/// White noise of the two noisy grids for n samples.
void rb_unrest_noise(rb_amp *amp, unsigned channel, size_t n, double *noise0, double *noise2);

/// Starts ringing of a section after a knock.
void rb_unrest_knock(rb_amp_channel *channel, const rb_amp_setup *setup, unsigned index,
                     unsigned tube, double strength);

/// Emission of a section at an age, 0 … 1, and the gas current's share.
double rb_warm_emission(const rb_section_truth *section, bool output, double age_s);
double rb_warm_gas(double age_s);

/// Loads the tubes' true values into the lanes.
void rb_channel_tubes(rb_amp *amp, unsigned channel);

/// Emission as it is at the amplifier's age.
void rb_channel_warm(rb_amp *amp, unsigned channel);

/// Finds the working point with fixed supplies and biases, from nothing.
RB_NODISCARD rb_status rb_channel_rest(rb_amp *amp, unsigned channel, const double supply_v[2]);

/// Goes on to the working point after a small change of bias or supply.
RB_NODISCARD rb_status rb_channel_rest_on(rb_amp *amp, unsigned channel, const double supply_v[2]);

static inline const rb_section_truth *rb_section_of(const rb_amp_setup *setup, unsigned channel,
                                                    unsigned tube)
{
  const rb_net_tube *at = &rb_net_tubes[tube];
  return &setup->tubes[channel * RB_AMP_PER_CHANNEL + at->socket].section[at->section];
}

#endif
