// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_ZOOM_H
#define ROLLBOOK_DSP_ZOOM_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <complex.h>
#include <stddef.h>

// unitless: samples, transform

/// Fourier sums of real samples at any frequencies, at about the price of one transform:
///
///     transform[k] = Σ samples[i]·e^(−j2πf_k·(first_s + i/rate_hz))
///
/// The samples are weighted, transformed at twice their length, and read between the bins through
/// a Kaiser–Bessel kernel of 14 bins (J. A. Fessler & B. P. Sutton, IEEE Trans. Signal Process.
/// 51(2), 2003). Errors stay below 10⁻¹⁰ of Σ|samples|. Frequencies lie from 0 to half the rate.
/// Scratch from `arena` is given back. RB_BAD_ARG for no samples, RB_NO_MEM.
RB_NODISCARD rb_status rb_zoom(const double *samples, size_t n, double rate_hz, double first_s,
                               const double *freq_hz, size_t n_freq, rb_arena *arena,
                               double complex *transform);

#endif
