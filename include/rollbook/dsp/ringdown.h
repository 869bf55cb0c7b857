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
/// just after the knock. Start values by the matrix pencil (Y. Hua & T. K. Sarkar, IEEE Trans.
/// ASSP 38(5), 1990) on the decimated signal; then nonlinear least squares. Rings weaker than the
/// noise are dropped; RB_NO_SIGNAL where none is left.
RB_NODISCARD rb_status rb_ringdown_fit(const double *samples, size_t n, double rate_hz,
                                       double low_hz, double high_hz, size_t max_rings,
                                       rb_arena *arena, rb_ringdown *ringdown);

#endif
