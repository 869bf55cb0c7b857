// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_GROUPING_H
#define ROLLBOOK_STATS_GROUPING_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

/// Pairs, quads … out of a stock so that the summed cost inside the groups is least. Taking the
/// closest pair first, or neighbours after sorting, is not least in general.

typedef struct rb_grouping {
  size_t *group_of; ///< n: which group each item is in; n_groups for those left over.
  size_t n_groups;  ///< n / size, rounded down.
  double cost;      ///< Sum over groups of the costs of all pairs in it.
  bool is_least;    ///< Proven; false where the stock was too large to look at every way.
} rb_grouping;

/// `cost` is n × n, symmetric, ≥ 0. Up to 20 items in pairs, 16 in larger groups, the result is the
/// least of all ways (dynamic programming over subsets); above, groups are grown from the closest
/// and then bettered by exchanges until none helps. RB_BAD_ARG unless 2 ≤ size ≤ n; RB_NO_MEM.
RB_NODISCARD rb_status rb_group(const double *cost, size_t n, size_t size, rb_arena *arena,
                                rb_grouping *grouping);

#endif
