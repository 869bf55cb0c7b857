// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_NOISE_H
#define ROLLBOOK_DSP_NOISE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

// unitless: relative_uncertainty, density, cosine, sine

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

/// One line of the comb.
typedef struct rb_hum_line {
  double rms;         ///< Estimate, its noise taken off; 0 where it is not resolved.
  double uncertainty; ///< Standard uncertainty of rms.
  double floor_rms;   ///< What noise alone would read there.
  bool resolved;      ///< rms is at least 3 dB over floor_rms.
} rb_hum_line;

typedef struct rb_noise {
  double duration_s;               ///< Captured time that went in.
  double total_rms;                ///< 20 Hz … 20 kHz, hum included.
  double noise_rms;                ///< 20 Hz … 20 kHz, the mains comb taken off.
  double a_rms;                    ///< A-weighted, hum included, true rms.
  double bs468_rms;                ///< 468-weighted, hum included, true rms (not quasi-peak).
  double relative_uncertainty;     ///< Of the four levels, from the time and bandwidth averaged.
  bool mains_found;                ///<
  double mains_hz;                 ///< Within 45 … 65.
  double mains_uncertainty_hz;     ///<
  rb_hum_line lines[RB_HUM_LINES]; ///< 1× … 10×.
  double odd_rms, even_rms;        ///< Root of the sum of squares of the resolved lines.
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

/// The figures so far. The density lives in `arena`. RB_NO_SIGNAL where less than 1 s went in.
RB_NODISCARD rb_status rb_noise_meter_read(rb_noise_meter *meter, rb_arena *arena, rb_noise *noise);

/// A comb of mains lines fitted to a piece of signal.
typedef struct rb_comb {
  bool found;
  double base_hz;
  double base_uncertainty_hz;
  size_t n_lines;
  double cosine[4 * RB_HUM_LINES], sine[4 * RB_HUM_LINES]; ///< Peak; phase zero at sample 0.
  double noise_rms; ///< Of one line's fitted amplitude, cosine or sine part.
} rb_comb;

/// Fits the comb to `n` samples (1 s or more), base between low_hz and high_hz, lines up to
/// 2 kHz. Scratch from `arena` is given back. Not finding one is no error.
RB_NODISCARD rb_status rb_comb_fit(const double *samples, size_t n, double rate_hz, double low_hz,
                                   double high_hz, rb_arena *arena, rb_comb *comb);

/// Subtracts the comb from the samples it was fitted to.
void rb_comb_subtract(const rb_comb *comb, double rate_hz, double *samples, size_t n);

#endif
