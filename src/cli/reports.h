// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_REPORTS_H
#define ROLLBOOK_CLI_REPORTS_H

#include "rollbook/cli/console.h"
#include "rollbook/report/report.h"

/// One of the report room's writers: rb_report_html, rb_report_csv, …
typedef rb_status rb_page_writer(rb_book *book, const rb_report *report, rb_text *page,
                                 rb_err *err);

/// Writes a page whole to `path` ("-": standard output). RB_STORAGE.
RB_NODISCARD rb_status rb_write_page(rb_console *console, rb_book *book, const rb_report *report,
                                     rb_page_writer *write, const char *path, rb_err *err);

/// Tells the sentences "in short" of a swap, and puts them into the JSON answer.
RB_NODISCARD rb_status rb_tell_in_short(rb_console *console, rb_book *book, const rb_report *report,
                                        rb_err *err);

#endif
