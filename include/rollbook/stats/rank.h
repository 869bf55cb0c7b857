// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_RANK_H
#define ROLLBOOK_STATS_RANK_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

/// Rank correlation with p values from the permutation distribution itself: the usual
/// approximation by Student's t is wrong for the handful of line-ups a bench has (n = 6, ρ =
/// 0.8286: 0.042 instead of 0.058).

// unitless: rho, p_greater, p_two_sided
typedef struct rb_spearman {
  double rho;         ///< −1 … 1; 0 where one of the rows is constant.
  double p_greater;   ///< P(ρ as large or larger) when the two have nothing to do with each other.
  double p_two_sided; ///< P(|ρ| as large or larger).
  bool exact;         ///< All permutations counted (n ≤ 10), else drawn.
} rb_spearman;

/// Ranks 1 … n, ties sharing their mean rank. RB_NO_MEM.
// unitless: ranks
RB_NODISCARD rb_status rb_ranks(const double *values, size_t n, rb_arena *arena, double *ranks);

/// Spearman's ρ (Am. J. of Psychology 15, 1904): the correlation of ranks, ties with mean ranks.
/// Above ten pairs `n_draws` permutations are drawn and p is (hits + 1) / (draws + 1). RB_BAD_ARG
/// below three pairs.
RB_NODISCARD rb_status rb_spearman_test(const double *x, const double *y, size_t n,
                                        rb_random *random, size_t n_draws, rb_arena *arena,
                                        rb_spearman *result);

#endif
