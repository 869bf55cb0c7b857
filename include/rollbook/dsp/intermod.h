// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_INTERMOD_H
#define ROLLBOOK_DSP_INTERMOD_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"
#include "rollbook/dsp/estimate.h"

#include <stdbool.h>
#include <stddef.h>

/// Intermodulation of two tones. Both tones and all product lines are fitted together by least
/// squares, so that none leaks into another whatever the frequencies are. Definitions: IEC 60268-3,
/// 14.12 (from memory; clause numbers not checked). Uncertainties are first order, from the noise
/// beside each line; a line's expected noise power is taken off it.

/// Modulation method: a low tone (60 Hz) and a high one (7 kHz), 4:1.
/// second = (U(fH+fL) + U(fH−fL))/U(fH), third = the same with 2·fL, total = √(second² + third²).
/// The two sidebands of one order add as amplitudes, since a carrier modulated by depth m has m/2
/// in each; adding their powers instead reads √2 (3.01 dB) less.
typedef struct rb_modulation {
  double low_hz, high_hz;   ///< As found.
  double low_rms, high_rms; ///<
  rb_estimate second_ratio, third_ratio, total_ratio;
} rb_modulation;

/// Difference-frequency method: two high tones f1 < f2 of equal size.
/// second = U(f2−f1)/(2·U(f2)), third = (U(2f2−f1) + U(2f1−f2))/(2·U(f2)).
/// Referred to one tone instead of twice it, the figure is 6.02 dB higher. Where 2f2−f1 lies above
/// `highest_hz` only the lower third-order line counts, and `third_upper_counted` is false.
typedef struct rb_difference {
  double f1_hz, f2_hz;   ///< As found.
  double f1_rms, f2_rms; ///<
  rb_estimate second_ratio, third_ratio;
  bool third_upper_counted;
} rb_difference;

/// `samples` (0.1 s or more) hold tones at low_hz and high_hz but for a clock offset
/// of at most 300 ppm, which is found first. RB_NO_SIGNAL where a tone is missing, RB_BAD_ARG
/// where frequencies make no sense, RB_NO_CONVERGENCE where the record is not two steady tones.
RB_NODISCARD rb_status rb_modulation_measure(const double *samples, size_t n, double rate_hz,
                                             double low_hz, double high_hz, rb_arena *arena,
                                             rb_modulation *result);

/// As rb_modulation_measure(), for two high tones.
RB_NODISCARD rb_status rb_difference_measure(const double *samples, size_t n, double rate_hz,
                                             double f1_hz, double f2_hz, double highest_hz,
                                             rb_arena *arena, rb_difference *result);

#endif
