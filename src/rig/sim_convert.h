// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_RIG_SIM_CONVERT_H
#define ROLLBOOK_SRC_RIG_SIM_CONVERT_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

/// The sound card of the simulated rig: player (samples to volts at the internal rate) and recorder
/// (volts at the internal rate to samples, at its own clock and latency).

/// Low-pass for both: windowed sinc, flat to 0.45 of the card's rate, −120 dB from 0.55 of it on
/// (Kaiser, IEEE Int. Symp. Circuits Syst., 1974).
typedef struct sim_kernel {
  unsigned over;   ///< Internal samples per card sample.
  unsigned n_taps; ///< Of a recorder row, internal samples.
  double *player;  ///< over × SIM_PLAYER_TAPS: a row a phase.
  double *rows;    ///< (n_phases + 1) × n_taps: recorder, a row a fraction of an internal sample.
  unsigned n_phases;
  double fraction; ///< With one phase only: the fraction it is for.
} sim_kernel;

enum { SIM_SPAN = 80 }; ///< Card samples the kernels reach over.

/// For a recorder whose fraction of a sample wanders (`many`) or stays at `fraction`.
RB_NODISCARD rb_status sim_kernel_make(sim_kernel *kernel, unsigned over, bool many,
                                       double fraction);
void sim_kernel_free(sim_kernel *kernel);

/// Volts at internal samples first … first + n − 1 from interleaved frames; silence around them.
void sim_play(const sim_kernel *kernel, const float *play, size_t n_frames, unsigned channel,
              size_t first, size_t n, double *volts);

/// The signal at internal time `at` (in internal samples) from `ring`, which holds the last
/// `mask` + 1 internal samples, twice over, so that any part of it can be read in one go.
double sim_record(const sim_kernel *kernel, const double *ring, size_t mask, double at);

/// A converter: input coupling, noise, steps, clipping.
typedef struct sim_converter {
  double coupling; ///< Pole of the high-pass, 1 for none.
  double last_in, last_out;
  double noise_rms, step;
  rb_random random;
} sim_converter;

float sim_convert(sim_converter *converter, double full_scale);

#endif
