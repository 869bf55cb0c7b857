// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include "rollbook/report/words.h"

#include <math.h>

typedef struct change_panel {
  double largest; // Of the resolved part, or of all where none is.
  bool resolved;
} change_panel;

static void response_panel(chart_maker *m, rb_panel *panel, const shown_curve *curve,
                           change_panel *found)
{
  rb_line *line = maker_take(m, 1, sizeof *line);
  double *low = maker_take(m, curve->n, sizeof *low), *high = maker_take(m, curve->n, sizeof *high);
  bool *resolved = maker_take(m, curve->n, sizeof *resolved);
  if (m->failed)
    return;
  const double *half = curve->simultaneous ? curve->simultaneous : curve->pointwise;
  for (size_t i = 0; i < curve->n; i++) {
    double difference = curve->difference[i];
    low[i] = difference - (half ? half[i] : 0);
    high[i] = difference + (half ? half[i] : 0);
    resolved[i] = half && (low[i] > 0 || high[i] < 0);
    if (curve->x[i] < 20 || curve->x[i] > 20000 || !isfinite(difference))
      continue;
    if (resolved[i] && !found->resolved)
      *found = (change_panel){fabs(difference), true};
    else if (resolved[i] == found->resolved)
      found->largest = fmax(found->largest, fabs(difference));
  }
  *line = (rb_line){.ink = RB_INK_B,
                    .x = curve->x,
                    .y = curve->difference,
                    .n = curve->n,
                    .low = half ? low : NULL,
                    .high = half ? high : NULL,
                    .resolved = resolved,
                    .label = "B − A"};
  panel->lines = line;
  panel->n_lines = 1;
}

// Smaller changes may be real, but no line of the picture shows them.
static const double least_shown_db = 0.01;

bool chart_response_change(chart_maker *m, rb_chart *chart)
{
  change_panel found = {0};
  rb_rule *zero = maker_take(m, 1, sizeof *zero);
  for (size_t c = 0; zero && m->page->n_sides == 2 && c < CHART_CHANNELS; c++) {
    const shown_curve *curve = shown_find_curve(m->page, "response", chart_channels[c], NULL);
    if (!curve || curve->n < 2)
      continue;
    rb_panel *panel = &m->panels[m->n_panels++];
    *panel = (rb_panel){
        .title = chart_panel_titles[c], .x = rb_axis_frequency(), .rules = zero, .n_rules = 1};
    response_panel(m, panel, curve, &found);
  }
  rb_axis y =
      rb_axis_around(-fmax(3, found.largest), fmax(3, found.largest), 6, "Change of level (dB)");
  y.signs = true;
  for (size_t i = 0; i < m->n_panels; i++)
    m->panels[i].y = y;
  rb_text title = {0}, note = {0};
  if (found.resolved && found.largest < least_shown_db)
    rb_text_printf(&title, "Response moved by less than %s",
                   rb_figure_prose(least_shown_db, "dB").text);
  else if (found.resolved)
    rb_text_printf(&title, "Response moved by up to %s", rb_figure_prose(found.largest, "dB").text);
  else
    rb_text_add(&title, "Response: no change resolved");
  chart->title = maker_text(m, &title);
  maker_name_sides(m, &note);
  rb_text_add(
      &note,
      "Level of B against A over frequency. Band: 95 % interval; full line where the change is "
      "resolved, pale where it is not.");
  chart->note = maker_text(m, &note);
  chart->description =
      "Difference of the two responses in decibels from 20 Hz to 20 kHz, one panel a channel.";
  return m->n_panels > 0;
}
