// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_TABLES_H
#define ROLLBOOK_SRC_REPORT_TABLES_H

#include "html.h"
#include "shown.h"

#include "rollbook/report/words.h"

// Readings as tables, one row a reading and condition, left and right side by side, grouped by what
// they tell.

// The readings a reader looks for first; the others follow, folded.
void tables_main(html_writer *page, const shown *data);
void tables_rest(html_writer *page, const shown *data);

// Values of the curves that are drawn, at the labels of the frequency axis.
void tables_curves(html_writer *page, const shown *data);

// A channel's cells share one number of decimals, and all rows of a key one scale.
typedef struct row_form {
  rb_scale scale;
  int decimals;
} row_form;

row_form tables_form(const shown *data, const shown_row *row);

// A value without its unit, or "below 0.002 %" with it, or a dash.
rb_figure tables_value(const shown_value *value, const row_form *form, const char *unit);

// "changed", "not resolved", "too small" (both only bounds), "not judged" (no reseating known).
const char *tables_finding(const rb_effect *effect);

#endif
