// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_CLOCK_OFFSET_H
#define ROLLBOOK_DSP_CLOCK_OFFSET_H

#include "rollbook/dsp/sweep.h"

/// How much slower the recorder's clock runs than the player's: capture sample k was played at
/// k·(1 + offset)/rate. 60 ppm is 60e-6.

// unitless: clock_offset, coarse_offset, first, second, response, uncertainty

/// Offset from two captures of `n` samples of the same steady tone through the same device, the
/// second begun `spacing_samples` after the first by the recorder's count. The angle between the
/// two tells it, whatever the device does to the tone. The offset must lie within
/// ±rate/(2·freq·spacing) of `coarse_offset`. `uncertainty` (may be NULL) is the standard
/// uncertainty from what is not the tone.
double rb_clock_offset_from_pilots(const double *first, const double *second, size_t n,
                                   double spacing_samples, double freq_hz, double rate_hz,
                                   double coarse_offset, double *uncertainty);

/// Offset left in a linear response that was taken with a wrong one: fits φ0 + 2πf·(τ +
/// L·δ·ln(f/f1)) to its angle between low_hz and high_hz (the slope of arg H1 over f·ln(f/f1),
/// Novak, Lotton & Simon 2015). A device's own curved phase ends up in it (a first-order low-pass
/// at 40 kHz: some 0.1 ppm); use pilots where there are any.
double rb_clock_offset_from_response(const rb_sweep *sweep, const double *freq_hz,
                                     const double complex *response, size_t n, double low_hz,
                                     double high_hz);

#endif
