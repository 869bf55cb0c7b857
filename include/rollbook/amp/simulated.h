// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_AMP_SIMULATED_H
#define ROLLBOOK_AMP_SIMULATED_H

#include "rollbook/amp/tube.h"
#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/amplifier.h"

#include <stdbool.h>
#include <stdint.h>

// Numbers without a unit, and mixed vectors and slopes whose units stand beside them:
// unitless: name, strength, gain, first_stage_gain

/// The simulated amplifier: a stereo push-pull amplifier of about 42 W a channel, solved as a
/// circuit. A 6SL7 (voltage amplifier and cathode follower), a 6SN7 long-tailed pair, two EL34 with
/// fixed bias and screens on taps of the output transformer, 13 dB of feedback; one supply with
/// choke and a series tube feeds both channels.
///
/// Pure: memory comes from the caller's arena, random numbers from the setup's seed, time only from
/// the samples. Nodal equations with the trapezoidal rule; the tubes and the core are solved with
/// Newton's method in every sample, feedback included (Nagel, SPICE2, UCB/ERL M520, 1975; the
/// reduction to the ports of the nonlinear parts follows Yeh, Abel & Smith, IEEE Trans. Audio
/// Speech Lang. Process. 18(4), 2010).

enum {
  RB_AMP_SOCKETS = 9,
  RB_AMP_CHANNELS = 2,
  RB_AMP_BLOCK = 192, ///< Most samples of one rb_amp_run call.
};

/// Where a socket stands in rb_amp_sockets: left from 0, right from 4, supply 8.
enum {
  RB_AMP_DRIVER,   ///< V1, V5: 6SL7, first section amplifies, second is the cathode follower.
  RB_AMP_INVERTER, ///< V2, V6: 6SN7, first section inverts.
  RB_AMP_PUSH,     ///< V3, V7: EL34.
  RB_AMP_PULL,     ///< V4, V8: EL34.
  RB_AMP_PER_CHANNEL,
  RB_AMP_FILTER = RB_AMP_CHANNELS * RB_AMP_PER_CHANNEL ///< V9: EL34 wired as a triode.
};

/// The sockets, for the amplifier entered in a book. Shared, not to be freed.
const rb_socket *rb_amp_sockets(size_t *n_sockets);

/// The simulated amplifier as a book keeps it.
rb_amplifier rb_amp_model(void);

/// Values of the parts; ohms, farads, henries, volts. One row a part: see the table in
/// parts.def beside this header for names, defaults and meaning.
typedef struct rb_amp_parts {
#define PART(name, value, meaning) double name;
#include "rollbook/amp/parts.def"
#undef PART
} rb_amp_parts;

rb_amp_parts rb_amp_parts_default(void);

typedef struct rb_amp_setup {
  rb_amp_parts parts[RB_AMP_CHANNELS]; ///< The supply uses those of the left.
  rb_tube_truth tubes[RB_AMP_SOCKETS];
  double idle_a[RB_AMP_SOCKETS]; ///< Cathode current an output tube is trimmed to; 0: common bias.
  double load_ohm;               ///< Resistive load, unless:
  bool speaker;                  ///< A loudspeaker-like load (6.2 Ω and a resonance at 50 Hz).
  double mains_hz;               ///<
  double mains_ratio;            ///< Mains voltage over nominal.
  double since_power_on_s;       ///< Age at the start; very large: fully warm.
  bool still_supply;             ///< Fixed 420 V and 385 V instead of the supply: for comparisons.
  bool silent;                   ///< No noise, hum, pops: only what the circuit does by itself.
  uint64_t seed;                 ///< Of noise and of everything that happens at random.
} rb_amp_setup;

/// Bogey tubes, 8 Ω, 50 Hz, fully warm.
rb_amp_setup rb_amp_setup_default(void);

/// Sets a part by name ("inverter_load_b"), in both channels or, after "left." or "right.", in one.
/// RB_BAD_ARG lists the parts.
RB_NODISCARD rb_status rb_amp_set_part(rb_amp_setup *setup, const char *name, double value,
                                       rb_err *err);

/// The names of the parts, their defaults and meaning, one a line.
void rb_amp_part_names(rb_text *text);

/// Puts a line-up's tubes into the sockets, found by role and channel. A socket with no fitting
/// keeps a bogey tube. `seed` draws tubes that have no truth of their own; `sitting_seed` draws the
/// small variation of having been put in anew. RB_BAD_ARG: a tube that does not fit its socket.
RB_NODISCARD rb_status rb_amp_setup_fit(rb_amp_setup *setup, const rb_lineup *lineup, uint64_t seed,
                                        uint64_t sitting_seed, rb_err *err);

/// The amplifier in action.
typedef struct rb_amp rb_amp;

/// Builds it and lets it come to rest: bias trimmed, supply ripple periodic. About 0.2 s of work.
/// The object lives in `arena`. RB_NO_CONVERGENCE where the circuit has no sensible working point.
RB_NODISCARD rb_status rb_amp_new(const rb_amp_setup *setup, double rate_hz, rb_arena *arena,
                                  rb_amp **amp, rb_err *err);

/// A second object of the same arena to copy states into with rb_amp_copy.
RB_NODISCARD rb_status rb_amp_clone(const rb_amp *amp, rb_arena *arena, rb_amp **clone);
void rb_amp_copy(rb_amp *target, const rb_amp *source);

/// Changes the internal sample rate; voltages and currents stay as they are.
RB_NODISCARD rb_status rb_amp_set_rate(rb_amp *amp, double rate_hz);

/// Random events from here on follow another sequence.
void rb_amp_reseed(rb_amp *amp, uint64_t seed);

/// Runs one channel over n ≤ RB_AMP_BLOCK samples: volts at the input socket in, volts at the load
/// out. The two channels may run at the same time in two threads; each sees the supply current of
/// the other one block late, so blocks should be short (rb_amp_block). After both have run the same
/// n, call rb_amp_block_done once. n is a multiple of 8.
void rb_amp_run(rb_amp *amp, unsigned channel, const double *input_v, size_t n, double *load_v);
void rb_amp_block_done(rb_amp *amp, size_t n);

/// The usual n: at most 1 ms.
size_t rb_amp_block(const rb_amp *amp);

/// Both channels one after the other, any n; NULL input is silence, NULL output is not wanted.
void rb_amp_run_both(rb_amp *amp, const double *const input_v[2], size_t n,
                     double *const load_v[2]);

/// Age in seconds since power-on: emission, bias and gas follow. Advances by itself while running.
double rb_amp_since_power_on_s(const rb_amp *amp);
void rb_amp_set_since_power_on_s(rb_amp *amp, double age_s);

/// Lets it come to rest again at another age, without signal. About 0.2 s of work.
RB_NODISCARD rb_status rb_amp_rest_at(rb_amp *amp, double since_power_on_s, rb_err *err);

/// The share of its full emission a sound output tube gives at an age.
double rb_amp_warmth(double since_power_on_s);

/// Mains frequency from here on; not while a channel runs.
void rb_amp_set_mains_hz(rb_amp *amp, double mains_hz);

/// A knock on socket `socket` (index in rb_amp_sockets), or on the chassis for −1; 1 is a light tap
/// with a pencil. Its neighbours feel a thirtieth of it.
void rb_amp_tap(rb_amp *amp, int socket, double strength);

/// Newton's method did not settle within its limit in this many samples since the start. 0, always.
unsigned long rb_amp_failures(const rb_amp *amp);
/// Mean number of tube evaluations per sample since the start.
double rb_amp_iterations(const rb_amp *amp);

/// What the model itself says, from its equations made linear at the working point; nothing here is
/// measured on its output.
typedef struct rb_amp_truth {
  double gain;                 ///< Volts at the load per volt at the input, 1 kHz.
  double low_3db_hz;           ///< Relative to 1 kHz.
  double high_3db_hz;          ///< First crossing above 1 kHz.
  double output_impedance_ohm; ///< Magnitude at 1 kHz.
  double separation_db;        ///< At 1 kHz, this channel driven, the other heard; positive.
  double idle_plate_a[2];      ///< Push, pull: means over the last tenth of a second.
  double idle_cathode_a[2];    ///< The same with the screens.
  double first_stage_gain;     ///< Grid to plate of the first section, feedback opened by a large
                               ///< capacitor from its cathode to ground. Negative: inverts.
  double b_plus_v, b2_v;       ///< Supply at this moment, ripple and all.
} rb_amp_truth;

rb_amp_truth rb_amp_truth_of(const rb_amp *amp, unsigned channel);

/// Complex gain from input to load at a frequency, linear.
void rb_amp_response(const rb_amp *amp, unsigned channel, double frequency_hz, double gain[2]);

#endif
