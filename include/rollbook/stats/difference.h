// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_DIFFERENCE_H
#define ROLLBOOK_STATS_DIFFERENCE_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// Estimates with an interval and a p value, from variances that are themselves estimates.

// unitless: estimate, standard_error, interval, p
typedef struct rb_difference {
  double estimate;
  double standard_error; ///<
  double df;             ///< Degrees of freedom of the t distribution behind interval and p.
  double interval[2];    ///< 95 %.
  double p;              ///< Two-sided, of no difference.
} rb_difference;

/// A part of an estimate's variance: coefficient × variance, the variance known with `df` degrees
/// of freedom. Both are ≥ 0.
typedef struct rb_variance_part {
  double coefficient;
  double variance;
  double df;
} rb_variance_part;

/// Interval and p for an estimate whose variance is a sum of independent parts, with degrees of
/// freedom after Satterthwaite (Biometrics Bulletin 2(6), 1946, 110–114). With no variance at all p
/// is 0, or 1 where the estimate is 0 too.
// unitless: estimate
rb_difference rb_difference_from_parts(double estimate, const rb_variance_part *parts, size_t n);

/// Mean of `a` minus mean of `b`, unequal variances (Welch, Biometrika 34, 1947). RB_BAD_ARG unless
/// both have at least two values.
// unitless: a, b
RB_NODISCARD rb_status rb_difference_welch(const double *a, size_t n_a, const double *b, size_t n_b,
                                           rb_difference *difference);

/// Mean of `values` against 0 (Student). RB_BAD_ARG unless there are at least two.
RB_NODISCARD rb_status rb_difference_one_sample(const double *values, size_t n,
                                                rb_difference *difference);

#endif
