// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_ROBUST_H
#define ROLLBOOK_STATS_ROBUST_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// Centre and spread that one bad value cannot move.

// unitless: median, sigma
typedef struct rb_robust {
  double median;
  double sigma; ///< Median absolute deviation × 1.4826, the standard deviation of a normal
                ///< distribution; 0 where more than half of the values are equal.
} rb_robust;

/// RB_BAD_ARG for no values.
RB_NODISCARD rb_status rb_robust_of(const double *values, size_t n, rb_arena *arena,
                                    rb_robust *robust);

/// How many robust standard deviations `value` lies from the median. Where sigma is under
/// `least_sigma` that is taken instead, so that equal values do not make any other infinitely odd.
// unitless: least_sigma
double rb_robust_z(const rb_robust *robust, double value, double least_sigma);

#endif
