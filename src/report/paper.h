// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_PAPER_H
#define ROLLBOOK_SRC_REPORT_PAPER_H

#include "page.h"

// The pages as PDF, drawn from the same pictures and figures.

RB_NODISCARD rb_status paper_swap(const swap_page *data, rb_arena *arena, rb_text *pdf,
                                  rb_err *err);
RB_NODISCARD rb_status paper_lineup(const lineup_page *data, rb_arena *arena, rb_text *pdf,
                                    rb_err *err);
RB_NODISCARD rb_status paper_tube(const tube_page *data, rb_arena *arena, rb_text *pdf,
                                  rb_err *err);

#endif
