// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_FACTORS_H
#define ROLLBOOK_STATS_FACTORS_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"

#include <stdbool.h>
#include <stddef.h>

/// Which factor matters: an additive model with factors (sockets) whose levels (tubes) change from
/// one sitting to the next,
///
///     mean of sitting i = constant + Σ over factors of the effect of its level + b_i + e_i,
///
/// b_i the sitting's own deviation (variance between), e_i the mean of its passes' deviations
/// (variance within over their number). Solved by generalised least squares with the ratio of the
/// two variances from restricted maximum likelihood (Patterson & Thompson, Biometrika 58(3), 1971)
/// and the scale from the residual, so that with equally many passes in each sitting the intervals
/// are the exact ones of the linear model.

/// What was measured: one row a sitting.
// unitless: sitting_mean, within_variance, earlier_variance, earlier_df, within_df
typedef struct rb_factor_data {
  size_t n_sittings;
  size_t n_factors;
  const int *n_levels;        ///< n_factors: how many levels each has, ≥ 1.
  const int *levels;          ///< n_sittings × n_factors, 0 … n_levels−1.
  const double *sitting_mean; ///< n_sittings.
  const int *n_passes;        ///< n_sittings, each ≥ 1.
  double within_variance;     ///< Of a single pass within a sitting; 0 where not known.
  double within_df;           ///< Its degrees of freedom.
  double earlier_variance;    ///< Of a sitting's mean, from the book's history; ignored when …
  double earlier_df;          ///< … its degrees of freedom are 0.
} rb_factor_data;

/// One level's effect against the first level of its factor.
// unitless: standard_error, p
typedef struct rb_level_effect {
  size_t factor;
  int level;
  bool separable;        ///< False: these line-ups cannot tell it from what `mixed_with` names.
  double effect;         ///< 0 for the first level, and where not separable.
  double standard_error; ///<
  double interval[2];    ///< 95 %; infinite where nothing is left to judge the spread by.
  double p;              ///< Two-sided; 1 where not separable.
  unsigned mixed_with;   ///< Bit f set: mixed with factor f.
} rb_level_effect;

// unitless: residual_share, joint_share, sitting_sd, between_ratio
typedef struct rb_factor_fit {
  rb_level_effect *effects; ///< One a level of each factor, in their order.
  size_t n_effects;
  double *share;         ///< n_factors: part of the spread that only this factor explains.
  double joint_share;    ///< Explained, but by no single factor alone.
  double residual_share; ///< Not explained.
  double sitting_sd;     ///< Spread of a sitting's mean with one pass.
  double between_ratio;  ///< Variance between over variance within that was used.
  double df;             ///< Degrees of freedom of the intervals.
  size_t rank;           ///< Of the design.
} rb_factor_fit;

/// Fits the model; the result lives in `arena`. RB_BAD_ARG for levels out of range or more than 32
/// factors, RB_NO_MEM, RB_NO_CONVERGENCE when the decomposition fails.
RB_NODISCARD rb_status rb_factor_fit_sittings(const rb_factor_data *data, rb_arena *arena,
                                              rb_factor_fit *fit);

/// Chooses, one after the other, the `n_wanted` candidates that lower the summed variance of all
/// levels' effects the most, given the sittings there are (greedy A-optimal design; Atkinson, Donev
/// & Tobias, Optimum Experimental Designs, 2007, ch. 12, from memory). `candidates` is
/// n_candidates × n_factors; `chosen` has room for n_wanted indices, each used once. Returns how
/// many were chosen.
size_t rb_factor_next(const rb_factor_data *data, const int *candidates, size_t n_candidates,
                      size_t n_wanted, rb_arena *arena, size_t *chosen);

/// Sittings of each of two line-ups needed to find a change with probability `power` (0.5 … 0.99)
/// by a two-sided test at 5 %, when each sitting has `n_passes` passes. The usual normal
/// approximation with Student quantiles in place of the normal ones, iterated in the degrees of
/// freedom (Snedecor & Cochran, Statistical Methods, 6.14, from memory). At least 2; 0 where more
/// than 10 000 would be needed.
// unitless: between_sd, within_sd, change, power
size_t rb_sittings_needed(double between_sd, double within_sd, size_t n_passes, double change,
                          double power);

#endif
