// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_HOLM_H
#define ROLLBOOK_STATS_HOLM_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// P values adjusted for looking at `n` things at once (Holm, Scandinavian J. of Statistics 6,
/// 1979): calling those with an adjusted p below 0.05 is wrong about any of them in at most 5 % of
/// all cases, however they depend on each other. `weights` (> 0; NULL: all alike) give the things
/// that matter more a larger share of those 5 % (section 4 of the same paper).
// unitless: p, p_adjusted
RB_NODISCARD rb_status rb_holm(const double *p, const double *weights, size_t n, rb_arena *arena,
                               double *p_adjusted);

#endif
