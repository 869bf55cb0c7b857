// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_CSV_H
#define ROLLBOOK_SRC_REPORT_CSV_H

#include "rollbook/base/text.h"
#include "rollbook/judge/compare.h"

// CSV of RFC 4180: CR LF at the end of a row, quotes doubled. A text a spreadsheet would take for a
// formula (it begins with = + - @, tab or CR) gets an apostrophe in front, as OWASP's page on CSV
// injection advises. Numbers are written whole, with a point.

void csv_text(rb_text *csv, const char *text);                  // A cell.
void csv_number(rb_text *csv, double number);                   // Empty where it is not finite.
void csv_row(rb_text *csv, const char *const *texts, size_t n); // A row of texts.
void csv_end_row(rb_text *csv);

void csv_effects(rb_text *csv, const rb_comparison *comparison);

void csv_passes_head(rb_text *csv); // The heading row of csv_passes.

// One row a reading of each pass; `lineups` has one name a pass of the table.
void csv_passes(rb_text *csv, const rb_table *table, const char *const *lineups);

#endif
