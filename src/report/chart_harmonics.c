// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include "rollbook/report/words.h"

#include <math.h>

static const char *const orders[N_ORDERS] = {"H2", "H3", "H4", "H5", "H6", "H7", "H8", "H9", "H10"};

static void harmonics_stems(chart_maker *m, rb_panel *panel, rb_channel channel)
{
  size_t n_sides = m->page->n_sides;
  rb_stem *stems = maker_take(m, N_ORDERS * n_sides, sizeof *stems);
  double *floor_x = maker_take(m, N_ORDERS, sizeof *floor_x),
         *floor_y = maker_take(m, N_ORDERS, sizeof *floor_y);
  rb_floor *floors = maker_take(m, 1, sizeof *floors);
  if (m->failed)
    return;
  for (int order = LOWEST_ORDER; order <= HIGHEST_ORDER; order++) {
    const shown_row *row = maker_order(m, order, channel);
    if (!row)
      continue;
    double at = order - LOWEST_ORDER + 1;
    for (size_t side = 0; side < n_sides; side++) {
      const shown_value *value = &row->sides[side];
      double half = value->resolved ? value->expanded : 0;
      if (value->present)
        stems[panel->n_stems++] =
            (rb_stem){.ink = (rb_ink)side,
                      .x = at + (n_sides == 2 ? 0.36 * (double)side - 0.18 : 0),
                      .y = value->value,
                      .low = value->value - half,
                      .high = value->value + half,
                      .filled = order % 2 == 0,
                      .bound = !value->resolved};
    }
    if (isfinite(row->floor)) {
      floor_x[floors->n] = at;
      floor_y[floors->n++] = row->floor;
    }
  }
  *floors = (rb_floor){.x = floor_x, .y = floor_y, .n = floors->n, .half_width_x = 0.45};
  panel->stems = stems;
  panel->floors = floors;
  panel->n_floors = floors->n ? 1 : 0;
  for (size_t i = 0; i < panel->n_stems && i < n_sides && n_sides == 2; i++)
    stems[i].label = chart_side_names[i];
}

static double highest_stem(const chart_maker *m)
{
  double highest = -140;
  for (size_t i = 0; i < m->n_panels; i++)
    for (size_t k = 0; k < m->panels[i].n_stems; k++)
      highest = fmax(highest, m->panels[i].stems[k].high);
  return highest;
}

static double lowest_mark(const chart_maker *m)
{
  double lowest = 0;
  for (size_t i = 0; i < m->n_panels; i++) {
    for (size_t k = 0; k < m->panels[i].n_stems; k++)
      lowest = fmin(lowest, m->panels[i].stems[k].y);
    if (m->panels[i].n_floors)
      for (size_t k = 0; k < m->panels[i].floors->n; k++)
        lowest = fmin(lowest, m->panels[i].floors->y[k]);
  }
  return fmax(lowest, -170);
}

bool chart_harmonics(chart_maker *m, rb_chart *chart)
{
  if (!m->condition)
    return false;
  for (size_t c = 0; c < CHART_CHANNELS; c++) {
    rb_panel *panel = &m->panels[m->n_panels];
    *panel = (rb_panel){.title = chart_panel_titles[c]};
    harmonics_stems(m, panel, chart_channels[c]);
    m->n_panels += panel->n_stems > 0;
  }
  rb_axis y = rb_axis_around(lowest_mark(m) - 8, fmin(0, highest_stem(m) + 6), 40,
                             "Level (dB re fundamental)");
  for (size_t i = 0; i < m->n_panels; i++) {
    m->panels[i].y = y;
    m->panels[i].x = (rb_axis){.kind = RB_AXIS_NAMED,
                               .low = 0.4,
                               .high = N_ORDERS + 0.6,
                               .title = "Harmonic of the tone",
                               .names = orders,
                               .n_names = N_ORDERS};
  }
  rb_text title = {0}, note = {0};
  maker_finding(m, &title, "h2", m->condition);
  chart->title = maker_text(m, &title);
  maker_name_sides(m, &note);
  rb_text_printf(&note,
                 "%s. Even orders filled, odd ones open; a dashed stem with a bar is an upper "
                 "bound; hatched: what "
                 "the bench could not tell from nothing.",
                 rb_condition_words(m->condition).text);
  chart->note = maker_text(m, &note);
  chart->description =
      "Stems for the second to tenth harmonic, in decibels below the tone, one panel a channel. "
      "Every value is in the tables of this page.";
  return m->n_panels > 0;
}
