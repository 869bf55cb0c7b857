// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_NOISE_H
#define ROLLBOOK_DSP_NOISE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"
#include "rollbook/dsp/estimate.h"

#include <stdbool.h>
#include <stddef.h>

// unitless: relative_uncertainty, density

/// Noise and hum of a silent channel, taken in pieces so that a long capture needs little memory:
///
///     rb_noise_meter *meter = …; RB_TRY(rb_noise_meter_new(rate_hz, 0, arena, &meter));
///     while (…) RB_TRY(rb_noise_meter_add(meter, samples, n));
///     RB_TRY(rb_noise_meter_read(meter, arena, &noise));
///
/// Every ten seconds the comb of mains lines is fitted on its own, since the mains wanders, and
/// taken off; what remains goes into an averaged power spectrum (P. D. Welch, IEEE Trans. Audio
/// Electroacoust. AU-15(2), 1967; Hann, half overlapped). Levels are rms in the samples' unit.

enum { RB_HUM_LINES = 10 };

/// An rms level with its relative standard uncertainty, from the time and bandwidth averaged.
typedef struct rb_noise_level {
  double rms;
  double relative_uncertainty;
} rb_noise_level;

/// What was found.
typedef struct rb_noise {
  double duration_s;           ///< Captured time that went in.
  rb_noise_level total;        ///< 20 Hz … 20 kHz, hum included.
  rb_noise_level noise;        ///< 20 Hz … 20 kHz, the mains comb taken off.
  rb_noise_level a;            ///< A-weighted, hum included, true rms.
  rb_noise_level bs468;        ///< 468-weighted, hum included, true rms (not quasi-peak).
  bool mains_found;            ///< One line at least stands out of the noise.
  double mains_hz;             ///< Within 45 … 65.
  double mains_uncertainty_hz; ///<
  rb_estimate line_rms[RB_HUM_LINES + 1]; ///< Index is the multiple, 1 … 10; noise taken off.
  double odd_rms, even_rms;               ///< Root of the sum of squares of the resolved lines.
  double slope_db_per_octave; ///< Of the density 20 Hz … 1 kHz, comb taken off: 0 white, −3 pink.
  double slope_uncertainty_db_per_octave; ///<
  const double *density_hz; ///< Grid of the spectrum, 1/24 octave or a bin, whichever is wider.
  const double *density;    ///< Unit²/Hz, comb taken off, mean over each grid cell.
  size_t n_density;         ///<
} rb_noise;

typedef struct rb_noise_meter rb_noise_meter;

/// A meter for samples at `rate_hz`. `mains_hz` 50 or 60 narrows the search to ±1 Hz; 0 looks from
/// 45 to 65 Hz. All its memory comes from `arena` here (some 12 MB at 48 kHz). RB_NO_MEM.
RB_NODISCARD rb_status rb_noise_meter_new(double rate_hz, double mains_hz, rb_arena *arena,
                                          rb_noise_meter **meter);

/// Takes in the next `n` samples.
RB_NODISCARD rb_status rb_noise_meter_add(rb_noise_meter *meter, const double *samples, size_t n);

/// The figures of all that went in; the meter is done then. The density lives in `arena`.
/// RB_NO_SIGNAL where less than 1 s went in, RB_NO_MEM.
RB_NODISCARD rb_status rb_noise_meter_read(rb_noise_meter *meter, rb_arena *arena, rb_noise *noise);

#endif
