// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_LOAD_H
#define ROLLBOOK_SRC_REPORT_LOAD_H

#include "page.h"

#include "rollbook/report/report.h"

// What pages need, fetched from the book; everything lives in `arena`.

RB_NODISCARD rb_status load_swap(rb_book *book, const rb_report *report, rb_arena *arena,
                                 swap_page *page, rb_err *err);

// `with_curves`: those of the newest pass. RB_NOT_FOUND where the line-up has no pass.
RB_NODISCARD rb_status load_lineup(rb_book *book, const char *name, bool with_curves,
                                   rb_arena *arena, lineup_page *page, rb_err *err);

// Every measured line-up the tube is in. RB_NOT_FOUND where there is none.
RB_NODISCARD rb_status load_tube(rb_book *book, const char *label, rb_arena *arena, tube_page *page,
                                 rb_err *err);

#endif
