// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_SPECTRUM_H
#define ROLLBOOK_DSP_SPECTRUM_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"
#include "rollbook/dsp/window.h"

#include <stddef.h>

// unitless: power
/// Averaged power spectrum: segments of `segment` samples, the next one `step` samples on
/// (P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15(2), 1967). No trend is taken off.
typedef struct rb_welch {
  size_t segment;        ///< Samples in a segment, 2 or more.
  size_t step;           ///< Samples from one segment to the next, 1 … segment.
  rb_window_kind window; ///<
} rb_welch;

/// One-sided power spectral density in unit²/Hz at k·rate_hz/segment, k = 0 … segment/2
/// (segment/2 + 1 places): doubled but for DC and Nyquist, Σ density·Δf = mean square of the
/// windowed segments. RB_BAD_ARG where not one segment fits, RB_NO_MEM.
RB_NODISCARD rb_status rb_welch_density(const double *samples, size_t n, double rate_hz,
                                        const rb_welch *welch, rb_arena *arena,
                                        double *density_per_hz);

/// One-sided power spectrum in unit² instead: a sine of rms value u on a bin reads u² there.
RB_NODISCARD rb_status rb_welch_power(const double *samples, size_t n, const rb_welch *welch,
                                      rb_arena *arena, double *power);

/// A spectrum to look at: rms amplitude against frequency.
typedef struct rb_display_spectrum {
  const double *frequency_hz; ///< Rising. Where a cell holds several bins: the bin of its maximum.
  const double *rms;          ///< A sine of amplitude A reads A/√2, whether on a bin or between.
  size_t n;                   ///<
  double resolution_hz;       ///< Noise bandwidth of one bin: noise reads √(density·this).
} rb_display_spectrum;

/// The amplitude spectrum of the whole record through the flat-topped HFT144D window (leaks below
/// −144 dB, reads a tone between bins within 0.0021 dB), reduced to at most `most_points` ≥ 16
/// cells, equal on a logarithmic scale from low_hz to high_hz (cut at Nyquist), the largest bin of
/// each cell. At low frequencies, where cells are narrower than bins, every bin is a point. Records
/// longer than 2²⁰ samples are read from their first 2²⁰. The arrays live in `arena`; scratch is
/// given back. RB_BAD_ARG for fewer than 64 samples or an empty band; RB_NO_MEM.
RB_NODISCARD rb_status rb_spectrum_display(const double *samples, size_t n, double rate_hz,
                                           double low_hz, double high_hz, size_t most_points,
                                           rb_arena *arena, rb_display_spectrum *display);

#endif
