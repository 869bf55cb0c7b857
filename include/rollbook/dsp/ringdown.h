// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_RINGDOWN_H
#define ROLLBOOK_DSP_RINGDOWN_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

// unitless: amplitude

/// Damped sinusoids after a knock: Σ amplitude·e^(−t/decay_s)·cos(2πft + phase).

enum { RB_RINGS_MAX = 4 };

typedef struct rb_ring {
  double freq_hz;
  double decay_s;             ///< Time constant: amplitude falls to 1/e.
  double amplitude;           ///< Peak at the first sample.
  double phase_deg;           ///< Cosine, at the first sample.
  double freq_uncertainty_hz; ///< Standard, from the residual.
  double decay_uncertainty_s; ///<
} rb_ring;

typedef struct rb_ringdown {
  rb_ring rings[RB_RINGS_MAX]; ///< Largest amplitude first.
  size_t n_rings;
  double residual_rms;
} rb_ringdown;

/// Fits up to `max_rings` damped sinusoids between low_hz and high_hz to `n` samples that begin
/// just after the knock. One after the other is started at the highest peak of what is left, with
/// the decay that two halves of the record tell; then all are fitted together by damped
/// Gauss–Newton steps (K. Levenberg 1944, D. Marquardt 1963), which for white noise is the
/// maximum-likelihood estimate. The low thump of a knock is fitted as rings below low_hz that are
/// not told. Rings that do not stand out of the noise are dropped; RB_NO_SIGNAL where none is left,
/// RB_BAD_ARG for fewer than 64 samples or an empty band, RB_NO_MEM.
RB_NODISCARD rb_status rb_ringdown_fit(const double *samples, size_t n, double rate_hz,
                                       double low_hz, double high_hz, size_t max_rings,
                                       rb_arena *arena, rb_ringdown *ringdown);

#endif
