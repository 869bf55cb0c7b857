// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_SHEET_H
#define ROLLBOOK_SRC_REPORT_SHEET_H

#include "rollbook/plot/chart.h"

// A4 pages drawn as SVG, filled from top to bottom: sentences, pictures, rows of a table. What does
// not fit begins a new page. Units are points.

enum { SHEET_MOST_PAGES = 40, SHEET_MOST_CELLS = 12 };

typedef struct sheet {
  rb_text pages[SHEET_MOST_PAGES];
  size_t n;
  double y;  // Where the next thing begins on the last page.
  bool full; // More than SHEET_MOST_PAGES were needed.
  const char *footer;
} sheet;

void sheet_begin(sheet *paper, const char *footer);
void sheet_paragraph(sheet *paper, const char *classes, double size_pt, const char *text);
void sheet_chart(sheet *paper, const rb_chart *chart);

// Cells at `n` places given as shares of the width; those with `to_end` set end there instead.
typedef struct sheet_column {
  double at_share; // 0 … 1
  bool to_end;
} sheet_column;
void sheet_row(sheet *paper, const char *classes, const sheet_column *columns,
               const char *const *cells, size_t n);

// Ends the last page and appends the PDF of all. Frees the pages whatever happens.
RB_NODISCARD rb_status sheet_finish(sheet *paper, const char *title, rb_text *pdf, rb_err *err);

#endif
