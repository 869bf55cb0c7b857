// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_RIG_SIM_RUN_H
#define ROLLBOOK_SRC_RIG_SIM_RUN_H

#include "rollbook/amp/simulated.h"
#include "rollbook/rig/rig.h"
#include "sim_options.h"

/// One exchange of the simulated rig.
typedef struct sim_run {
  const sim_options *options;
  rb_amp *amp; ///< NULL: the card's output goes straight to its input.
  double rate_hz;
  uint64_t seed;
  bool knock;
  int knock_socket;
  double meter_vrms[2]; ///< Result.
} sim_run;

/// The internal rate that what is played needs, as a multiple of the card's rate:
///
///   at least 88 kHz    nothing above 5.5 kHz, output below some 27 W
///   at least 176 kHz   content up to 12 kHz, or output up to 38 W
///   at least 352 kHz   content above 12 kHz, or clipping
///
/// Aliases in the audio band then stay below −115 dB of the tone, but for clipped signals: there
/// some −100 dB (1 kHz) to −80 dB (5 kHz). The response at 20 kHz is 0.02 dB low at 352 kHz.
unsigned sim_oversampling(const sim_options *options, const float *play, size_t n_frames,
                          double rate_hz);

RB_NODISCARD rb_status sim_run_exchange(sim_run *run, const rb_exchange *exchange,
                                        rb_capture *capture, rb_err *err);

#endif
