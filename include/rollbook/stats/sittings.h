// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_SITTINGS_H
#define ROLLBOOK_STATS_SITTINGS_H

#include "rollbook/base/arena.h"
#include "rollbook/base/status.h"
#include "rollbook/stats/difference.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/// Two-level repeatability and the difference of two line-ups. A reading of pass p in sitting s of
/// line-up l is
///
///     y = mean(l) + drift(run)·time(s) + b(s) + e(p),
///
/// b with the variance between sittings (power off, tubes out and in, power on), e with the
/// variance within one. A run is a row of sittings close in time; drift is taken as linear within
/// a run.

/// One sitting's mean of one reading.
// unitless: covariate
typedef struct rb_sitting_mean {
  uint32_t lineup;
  uint32_t run;
  double time_s;    ///< When it began.
  double mean;      ///< Over its passes.
  double weight;    ///< How many passes, ≥ 1.
  double covariate; ///< Something readings may follow from sitting to sitting: mains voltage.
} rb_sitting_mean;

/// A variance pooled over groups. With df 0 nothing is known and `variance` is 0.
typedef struct rb_spread {
  double variance;
  double df;
  double weight; ///< Harmonic mean of the passes a sitting, where the groups are sittings.
} rb_spread;

/// Adds `sum_squares` of deviations with `df` degrees of freedom to a pooled variance.
// unitless: sum_squares
void rb_spread_add(rb_spread *spread, double sum_squares, double df);

/// Spread of sitting means within line-ups (method of moments), runs and drift ignored: what comes
/// out includes the drift. `sittings` in any order.
RB_NODISCARD rb_status rb_spread_of_sittings(const rb_sitting_mean *sittings, size_t n,
                                             rb_arena *arena, rb_spread *spread);

/// The same with one linear drift a run removed; runs too short for that add nothing.
RB_NODISCARD rb_status rb_spread_without_drift(const rb_sitting_mean *sittings, size_t n,
                                               rb_arena *arena, rb_spread *spread);

/// How readings follow the covariate, beside line-ups and drift.
// unitless: slope, sum_squares
typedef struct rb_covariate_fit {
  double slope;
  double sum_squares; ///< Of the covariate, what line-ups and drift leave; 0: nothing to go by.
  rb_spread spread;   ///< Of sitting means without drift and covariate.
} rb_covariate_fit;

/// As rb_spread_without_drift with one slope on the covariate, the same in all runs.
RB_NODISCARD rb_status rb_covariate_fit_sittings(const rb_sitting_mean *sittings, size_t n,
                                                 rb_arena *arena, rb_covariate_fit *fit);

/// Weights that make line-up `b` minus line-up `a` out of the means of their sittings: the least
/// squares estimate with a level a run and, where it costs at most twice the variance, a linear
/// drift a run. A-B-A gives −½ 1 −½; A-B-B-A gives −½ ½ ½ −½. Sittings of other line-ups get 0.
/// Where the two line-ups share runs only those count; else runs are ignored. RB_BAD_ARG where one
/// of them has no sitting.
RB_NODISCARD rb_status rb_swap_weights(const rb_sitting_mean *sittings, size_t n, uint32_t a,
                                       uint32_t b, rb_arena *arena, double *weights,
                                       bool *shared_run, bool *drift_removed);

/// B minus A with 95 % interval: weights as above, `between` the spread of sitting means to judge
/// by, `within` the spread of passes in a sitting.
RB_NODISCARD rb_difference rb_swap_difference(const rb_sitting_mean *sittings, size_t n,
                                              const double *weights, const rb_spread *between,
                                              const rb_spread *within);

/// The same with the covariate's share taken out: `fit` stands for the spread between sittings, and
/// the uncertainty of its slope goes into the interval.
RB_NODISCARD rb_difference rb_swap_difference_covariate(const rb_sitting_mean *sittings, size_t n,
                                                        const double *weights,
                                                        const rb_covariate_fit *fit,
                                                        const rb_spread *within);

/// The same on the passes' spread alone. It includes no reseating.
RB_NODISCARD rb_difference rb_swap_difference_within(const rb_sitting_mean *sittings, size_t n,
                                                     const double *weights,
                                                     const rb_spread *within);

#endif
