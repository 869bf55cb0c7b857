// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_TABLES_H
#define ROLLBOOK_SRC_REPORT_TABLES_H

#include "html.h"
#include "shown.h"

// Readings as tables, one row a reading and condition, left and right side by side, grouped by what
// they tell.

// The readings a reader looks for first; the others follow, folded.
void tables_main(html_writer *page, const shown *data);
void tables_rest(html_writer *page, const shown *data);

// Values of the curves that are drawn, at the labels of the frequency axis.
void tables_curves(html_writer *page, const shown *data);

#endif
