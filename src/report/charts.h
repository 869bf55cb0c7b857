// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_CHARTS_H
#define ROLLBOOK_SRC_REPORT_CHARTS_H

#include "chart_maker.h"

#include "rollbook/plot/chart.h"

// Pictures of what a page shows: one file and one row of charts.def a kind.

enum { MOST_CHARTS = 12 };

typedef struct chart_set {
  rb_chart charts[MOST_CHARTS];
  size_t n;
} chart_set;

#define CHART(name, slug) bool chart_##name(chart_maker *m, rb_chart *chart);
#include "charts.def"
#undef CHART

// All charts the data has something to draw for; the set and its parts live in `arena`. RB_NO_MEM.
RB_NODISCARD rb_status charts_of(const shown *page, rb_arena *arena, chart_set **set);

#endif
