// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_PAIRED_H
#define ROLLBOOK_STATS_PAIRED_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// One comparison: `judged` was put `score` above `against`.
// unitless: score
typedef struct rb_paired_score {
  size_t judged, against;
  double score;
} rb_paired_score;

/// Places things on one scale from comparisons of two at a time: the least squares fit of
/// value(judged) − value(against) = score (Scheffe, J. Am. Statistical Association 47, 1952,
/// without its order term). Only differences are told, so the first thing of each connected group
/// is 0; `group` gets that first thing's number (things in different groups cannot be compared), or
/// `n_things` for one that was never compared. Both have room for n_things. RB_BAD_ARG for a number
/// out of range, RB_NO_MEM.
// unitless: values
RB_NODISCARD rb_status rb_paired_scale(const rb_paired_score *scores, size_t n_scores,
                                       size_t n_things, rb_arena *arena, double *values,
                                       size_t *group);

#endif
