// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_COMB_H
#define ROLLBOOK_DSP_COMB_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

// unitless: cosine, sine, samples

/// The comb of lines that the mains puts into a signal: a base of 50 or 60 Hz and its multiples.

enum { RB_COMB_LINES = 40 };

typedef struct rb_comb {
  bool found;                 ///< One line at least stands clearly out of the noise.
  double base_hz;             ///< Best candidate, found or not.
  double base_uncertainty_hz; ///< Standard, from the noise beside the lines.
  size_t n_lines;             ///< Lines below some 2 kHz.
  double cosine[RB_COMB_LINES + 1], sine[RB_COMB_LINES + 1]; ///< Peak, time zero at the first
                                                             ///< sample; index is the multiple.
  double noise_rms[RB_COMB_LINES + 1]; ///< Standard uncertainty of each cosine and sine part.
} rb_comb;

/// Fits the comb to `n` samples (0.5 s or more), base between low_hz and high_hz. The base is the
/// one that explains most in all lines together (harmonic sum over the whitened spectrum), refined
/// by Gauss–Newton steps on the angles of all lines, each weighted by its distance from the noise.
/// Hann-windowed, so lines do not leak into each other: amplitudes spread √1.5 wider than the
/// Cramér–Rao bound. Scratch from `arena` is given back. Not finding one is no error.
/// RB_BAD_ARG for too few samples or a rate below 5 kHz, RB_NO_MEM.
RB_NODISCARD rb_status rb_comb_fit(const double *samples, size_t n, double rate_hz, double low_hz,
                                   double high_hz, rb_arena *arena, rb_comb *comb);

/// Subtracts the comb's lines that stand out of the noise from the samples it was fitted to;
/// nothing where the comb was not found.
void rb_comb_subtract(const rb_comb *comb, double rate_hz, double *samples, size_t n);

#endif
