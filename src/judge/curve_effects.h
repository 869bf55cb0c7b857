// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_JUDGE_CURVE_EFFECTS_H
#define ROLLBOOK_SRC_JUDGE_CURVE_EFFECTS_H

#include "rollbook/judge/compare.h"

/// The curves both line-ups have: mean of each, difference and its bands. Fills
/// comparison->curves; `table` says which passes there are.
RB_NODISCARD rb_status compare_curves(rb_book *book, const rb_table *table, rb_arena *arena,
                                      rb_comparison *comparison, rb_err *err);

#endif
