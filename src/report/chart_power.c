// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include "rollbook/report/words.h"

#include <math.h>

static void power_range(const shown_curve *curve, size_t n_sides, double x[2], double y[2])
{
  for (size_t i = 0; i < curve->n; i++)
    for (size_t side = 0; side < n_sides; side++) {
      double value = curve->y[side][i];
      if (!(curve->x[i] > 0) || !(value > 0))
        continue;
      x[0] = fmin(x[0], curve->x[i]);
      x[1] = fmax(x[1], curve->x[i]);
      y[0] = fmin(y[0], value);
      y[1] = fmax(y[1], value);
    }
}

bool chart_power(chart_maker *m, rb_chart *chart)
{
  double x[2] = {INFINITY, 0}, y[2] = {INFINITY, 0};
  rb_rule *rules = maker_take(m, 2, sizeof *rules);
  for (size_t c = 0; rules && c < CHART_CHANNELS; c++) {
    const shown_curve *curve = shown_find_curve(m->page, "thd_by_level", chart_channels[c], NULL);
    if (!curve || curve->n < 2)
      continue;
    rb_panel *panel = &m->panels[m->n_panels++];
    *panel = (rb_panel){.title = chart_panel_titles[c], .rules = rules, .n_rules = 2};
    maker_curve_panel(m, panel, curve, false);
    power_range(curve, m->page->n_sides, x, y);
  }
  if (!m->n_panels || !(x[1] > x[0]))
    return false;
  rules[0] = (rb_rule){.vertical = true, .at = 1, .label = "1 W"};
  rules[1] = (rb_rule){.at = 1, .label = "1 %"};
  rb_axis across = rb_axis_decades(x[0], x[1], "Power at the load (W)");
  rb_axis up = rb_axis_decades(y[0], y[1], "Total harmonic distortion (%)");
  for (size_t i = 0; i < m->n_panels; i++) {
    m->panels[i].x = across;
    m->panels[i].y = up;
  }
  rb_text title = {0}, note = {0};
  if (shown_find(m->page, "power_1pct", RB_LEFT, NULL))
    maker_finding(m, &title, "power_1pct", NULL);
  else
    rb_text_printf(&title, "Distortion from %s to %s", rb_figure_prose(x[0], "W").text,
                   rb_figure_prose(x[1], "W").text);
  chart->title = maker_text(m, &title);
  maker_name_sides(m, &note);
  rb_text_add(&note, "Both scales logarithmic.");
  chart->note = maker_text(m, &note);
  chart->description = "Total harmonic distortion against power, one panel a channel.";
  return true;
}
