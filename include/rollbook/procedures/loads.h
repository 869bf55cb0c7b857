// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PROCEDURES_LOADS_H
#define ROLLBOOK_PROCEDURES_LOADS_H

#include "rollbook/base/error.h"
#include "rollbook/dsp/impedance.h"
#include "rollbook/model/results.h"

/// Output impedance from two sweeps over two known loads, and what a loudspeaker makes of it. Never
/// an open output: a tube amplifier wants its load.

/// A sweep's results with the load it was taken on.
typedef struct rb_loaded_sweep {
  const rb_results *results; ///< With "gain", "response" and "phase" of the channel.
  double load_ohm;
} rb_loaded_sweep;

/// Adds to `results`, for each channel that both sweeps hold: "output_impedance" (ohm, magnitude at
/// 1 kHz), "damping_factor" re 8 ohm, and "impedance_curve" (ohm over Hz). `load_pct` is the
/// half-width of the loads' tolerance, taken as rectangular (JCGM 100, 4.3.7); its part and the
/// noise's are in the uncertainties. `condition` names the readings. Both gains must have one unit,
/// so either both sweeps were calibrated or neither. RB_BAD_ARG for equal loads, RB_NOT_FOUND where
/// no channel is in both, with words.
RB_NODISCARD rb_status rb_two_load_impedance(const rb_loaded_sweep sweeps[2], double load_pct,
                                             const char *condition, rb_results *results,
                                             rb_err *err);

/// What a loudspeaker looks like at a frequency: by its parameters, or as measured.
// unitless: impedance
typedef struct rb_speaker_view {
  const rb_loudspeaker *parameters;                   ///< NULL: measured.
  const double *curve_hz, *magnitude_ohm, *phase_deg; ///< phase_deg may be NULL.
  size_t n;
} rb_speaker_view;

/// Adds "speaker_response": the channel's response as it would be into the loudspeaker instead of
/// the resistor (dB re 1 kHz), from "response" and the impedance curve. RB_NOT_FOUND where one is
/// missing, with words.
RB_NODISCARD rb_status rb_speaker_response(const rb_results *swept, const rb_results *impedance,
                                           const rb_speaker_view *speaker, double load_ohm,
                                           rb_channel channel, const char *condition,
                                           rb_results *results, rb_err *err);

#endif
