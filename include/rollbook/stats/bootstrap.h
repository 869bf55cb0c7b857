// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_BOOTSTRAP_H
#define ROLLBOOK_STATS_BOOTSTRAP_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// A statistic and the sample it is of.
typedef struct rb_bootstrap {
  /// The statistic of the sample made of the values at these `n` positions; it need not be finite
  /// for every draw (a correlation of equal values): such draws are left out.
  double (*statistic)(void *payload, const size_t *positions, size_t n);
  void *payload;
  size_t n;
  size_t n_draws; ///< ≥ 100.
} rb_bootstrap;

/// 95 % percentile interval by resampling with replacement (Efron, Annals of Statistics 7, 1979).
/// RB_BAD_ARG for too few values (2) or draws, RB_NO_CONVERGENCE where fewer than half of the draws
/// give a number.
// unitless: interval
RB_NODISCARD rb_status rb_bootstrap_interval(const rb_bootstrap *bootstrap, rb_random *random,
                                             rb_arena *arena, double interval[2]);

#endif
