// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_REPORT_REPORT_H
#define ROLLBOOK_REPORT_REPORT_H

#include "rollbook/base/text.h"
#include "rollbook/book/book.h"

/// What to show: two line-ups side by side, one line-up, or one tube.
typedef enum rb_report_kind { RB_REPORT_SWAP, RB_REPORT_LINEUP, RB_REPORT_TUBE } rb_report_kind;

/// A report to be written. A swap shows what was heard, too, where the book holds impressions.
typedef struct rb_report {
  rb_report_kind kind;
  const char *name;    ///< The line-up (of a swap: A, what was there before) or the tube.
  const char *against; ///< RB_REPORT_SWAP: line-up B, what came in.
} rb_report;

/// One self-contained HTML page (no network, no script; light, dark and print). Appends to `html`.
/// RB_NOT_FOUND where a name is not in the book or was never measured.
RB_NODISCARD rb_status rb_report_html(rb_book *book, const rb_report *report, rb_text *html,
                                      rb_err *err);

/// The sentences of a swap's page that stand under "In short", one a line, for a terminal.
RB_NODISCARD rb_status rb_report_in_short(rb_book *book, const rb_report *report, rb_text *lines,
                                          rb_err *err);

/// The same page's plots and tables on A4 pages; appends the bytes of the file.
RB_NODISCARD rb_status rb_report_pdf(rb_book *book, const rb_report *report, rb_text *pdf,
                                     rb_err *err);

/// The page's numbers, one row a reading and a heading row (RFC 4180): for a swap the effects, for
/// a line-up or tube the readings of each pass.
RB_NODISCARD rb_status rb_report_csv(rb_book *book, const rb_report *report, rb_text *csv,
                                     rb_err *err);

typedef enum rb_plot_format { RB_PLOT_SVG, RB_PLOT_PNG, RB_PLOT_PDF } rb_plot_format;

/// One plot as a file to be written by the caller.
typedef struct rb_plot_file {
  char name[48]; ///< "harmonics.svg": letters, digits, '-' and an ending.
  const char *bytes;
  size_t n_bytes;
} rb_plot_file;

/// Every plot of the page; memory in `arena`. A report with nothing to draw gives *n 0.
RB_NODISCARD rb_status rb_report_plots(rb_book *book, const rb_report *report,
                                       rb_plot_format format, rb_arena *arena, rb_plot_file **files,
                                       size_t *n, rb_err *err);

#endif
