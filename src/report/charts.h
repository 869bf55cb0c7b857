// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_CHARTS_H
#define ROLLBOOK_SRC_REPORT_CHARTS_H

#include "shown.h"

#include "rollbook/plot/chart.h"

// Pictures of what a page shows: one function a kind, one row in the table of charts.c.

enum { MOST_CHARTS = 12 };

typedef struct chart_set {
  rb_chart charts[MOST_CHARTS];
  size_t n;
} chart_set;

// All charts the data has something to draw for; their parts live in `arena`. RB_NO_MEM.
RB_NODISCARD rb_status charts_of(const shown *page, rb_arena *arena, chart_set *set);

#endif
