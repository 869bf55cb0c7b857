// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_CHART_MAKER_H
#define ROLLBOOK_SRC_REPORT_CHART_MAKER_H

#include "shown.h"

#include "rollbook/base/text.h"
#include "rollbook/plot/chart.h"

// What the kinds of chart share. A kind is a file chart_<name>.c with one function
//   bool chart_<name>(chart_maker *m, rb_chart *chart)
// that fills title, note, description and the maker's panels, and says whether there was anything
// to draw; and a row in charts.def.

// unitless: low, high

enum { LOWEST_ORDER = 2, HIGHEST_ORDER = 10, N_ORDERS = 9, CHART_CHANNELS = 3 };

extern const rb_channel chart_channels[CHART_CHANNELS];
extern const char *const chart_panel_titles[CHART_CHANNELS];
extern const char *const chart_side_names[2];

// A chart being made. When memory runs out `failed` is set and the chart is dropped.
typedef struct chart_maker {
  const shown *page;
  rb_arena *arena;
  const char *condition; // The main one; NULL where no harmonic was measured.
  rb_panel panels[CHART_CHANNELS];
  size_t n_panels;
  bool failed;
} chart_maker;

void *maker_take(chart_maker *m, size_t count, size_t size);
const char *maker_text(chart_maker *m, rb_text *text); // Kept in the arena; frees `text`.

// "A: before the swap. B: after it. " or nothing where one line-up is shown.
void maker_name_sides(const chart_maker *m, rb_text *text);

// The row of that harmonic under the main condition, or NULL.
const shown_row *maker_order(const chart_maker *m, int order, rb_channel channel);

// "Second harmonic down 6.1 dB left, no change resolved right", or the values of one line-up.
void maker_finding(const chart_maker *m, rb_text *text, const char *key, const char *condition);

// A line a side from a curve; `peaks` as in rb_line.
void maker_curve_panel(chart_maker *m, rb_panel *panel, const shown_curve *curve, bool peaks);

// A panel a channel over frequency for the curve with that key. False where there is none.
bool maker_curve_panels(chart_maker *m, const char *key, const char *condition, const char *y_title,
                        bool peaks);

#endif
