// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_REPORT_STUDY_PLOT_H
#define ROLLBOOK_REPORT_STUDY_PLOT_H

#include "rollbook/base/text.h"
#include "rollbook/judge/study.h"

/// What was heard over what was measured, one named point a line-up, as an SVG file of its own;
/// appends to `svg`. RB_NO_MEM.
RB_NODISCARD rb_status rb_study_plot(const rb_study_pair *pair, rb_arena *arena, rb_text *svg,
                                     rb_err *err);

/// What the ranks came to: "rank correlation +0.83, p 0.058 (0.35 for all 12 comparisons)".
void rb_study_words(const rb_study_pair *pair, size_t n_tested, char *words, size_t size);

#endif
