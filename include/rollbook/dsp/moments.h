// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_MOMENTS_H
#define ROLLBOOK_DSP_MOMENTS_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <complex.h>
#include <stddef.h>

/// A record against one frequency ν (cycles per sample), time counted from the record's centre:
/// u_j = j − (n−1)/2.
// unitless: cycles_per_sample, first
typedef struct rb_moment {
  double complex sum;   ///< Σ x_j·e^(−2πi·ν·u_j)
  double complex first; ///< Σ u_j·x_j·e^(−2πi·ν·u_j)
} rb_moment;

/// All moments of the whole record, exact at any frequency from 0 to 0.5: what a joint
/// least-squares fit of sines needs of the data, in one go through it. Scratch from `arena` is
/// given back. RB_NO_MEM.
RB_NODISCARD rb_status rb_moments(const double *samples, size_t n, const double *cycles_per_sample,
                                  size_t n_frequencies, rb_arena *arena, rb_moment *moments);

#endif
