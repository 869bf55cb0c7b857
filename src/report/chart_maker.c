// SPDX-License-Identifier: GPL-3.0-or-later
#include "chart_maker.h"

#include "rollbook/report/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const rb_channel chart_channels[CHART_CHANNELS] = {RB_LEFT, RB_RIGHT, RB_BOTH};
const char *const chart_panel_titles[CHART_CHANNELS] = {"Left channel", "Right channel",
                                                        "Both channels"};
const char *const chart_side_names[2] = {"A", "B"};

void *maker_take(chart_maker *m, size_t count, size_t size)
{
  void *memory = rb_arena_alloc(m->arena, count, size);
  m->failed = m->failed || !memory;
  return memory;
}

const char *maker_text(chart_maker *m, rb_text *text)
{
  const char *kept = rb_arena_copy(m->arena, text->bytes && !text->failed ? text->bytes : "");
  m->failed = m->failed || text->failed || !kept;
  rb_text_free(text);
  return kept ? kept : "";
}

void maker_name_sides(const chart_maker *m, rb_text *text)
{
  if (m->page->n_sides == 2)
    rb_text_printf(text, "A: %s. B: %s. ", m->page->lineups[0]->name, m->page->lineups[1]->name);
}

const shown_row *maker_order(const chart_maker *m, int order, rb_channel channel)
{
  char key[RB_KEY_SIZE];
  snprintf(key, sizeof key, "h%d", order);
  return shown_find(m->page, key, channel, m->condition);
}

// "down 6.1 dB" or "no change resolved".
static void add_move(rb_text *text, const rb_effect *effect)
{
  const char *unit = rb_unit_of_change(effect->quantity.unit);
  if (effect->word == RB_CHANGED)
    rb_text_printf(text, "%s %s", effect->difference < 0 ? "down" : "up",
                   rb_figure_change_size(effect->difference, effect->interval, unit).text);
  else
    rb_text_add(text, "no change resolved");
}

static bool any_changed(const chart_maker *m, const char *key, const char *condition)
{
  for (size_t c = 0; c < CHART_CHANNELS; c++) {
    const shown_row *row = shown_find(m->page, key, chart_channels[c], condition);
    if (row && (!row->effect || row->effect->word == RB_CHANGED))
      return true;
  }
  return false;
}

void maker_finding(const chart_maker *m, rb_text *text, const char *key, const char *condition)
{
  const rb_reading_kind *kind = rb_reading_kind_find(key);
  rb_text_add(text, kind ? kind->label : key);
  if (!any_changed(m, key, condition)) {
    rb_text_add(text, ": no change resolved");
    return;
  }
  size_t told = 0;
  for (size_t c = 0; c < CHART_CHANNELS; c++) {
    const shown_row *row = shown_find(m->page, key, chart_channels[c], condition);
    if (!row)
      continue;
    rb_text_add(text, told++ ? ", " : " ");
    if (row->effect)
      add_move(text, row->effect);
    else {
      rb_reading reading = {.value = row->sides[0].value,
                            .uncertainty = row->sides[0].expanded / 2,
                            .resolved = row->sides[0].resolved};
      memcpy(reading.unit, row->quantity.unit, sizeof reading.unit);
      rb_text_add(text, rb_figure_reading(&reading).text);
    }
    rb_text_printf(text, chart_channels[c] == RB_BOTH ? "" : " %s",
                   rb_channel_name(chart_channels[c]));
  }
}

void maker_curve_panel(chart_maker *m, rb_panel *panel, const shown_curve *curve, bool peaks)
{
  rb_line *lines = maker_take(m, 2, sizeof *lines);
  if (!lines)
    return;
  for (size_t side = 0; side < m->page->n_sides; side++)
    lines[panel->n_lines++] =
        (rb_line){.ink = (rb_ink)side,
                  .x = curve->x,
                  .y = curve->y[side],
                  .n = curve->n,
                  .label = m->page->n_sides == 2 ? chart_side_names[side] : NULL,
                  .peaks = peaks};
  panel->lines = lines;
}

static void widen(const shown_curve *curve, size_t n_sides, double *low, double *high)
{
  for (size_t side = 0; side < n_sides; side++)
    for (size_t i = 0; i < curve->n; i++) {
      double y = curve->y[side][i];
      if (curve->x[i] < 20 || curve->x[i] > 20000 || !isfinite(y))
        continue;
      *low = fmin(*low, y);
      *high = fmax(*high, y);
    }
}

static const char *curve_axis_title(chart_maker *m, const char *what, const shown_curve *curve)
{
  const char *title = rb_arena_printf(m->arena, "%s (%s)", what, curve->y_unit);
  m->failed = m->failed || !title;
  return title ? title : "";
}

bool maker_curve_panels(chart_maker *m, const char *key, const char *condition, const char *y_title,
                        bool peaks)
{
  double low = INFINITY, high = -INFINITY;
  const shown_curve *first = NULL;
  for (size_t c = 0; c < CHART_CHANNELS; c++) {
    const shown_curve *curve = shown_find_curve(m->page, key, chart_channels[c], condition);
    if (!curve || curve->n < 2)
      continue;
    first = first ? first : curve;
    rb_panel *panel = &m->panels[m->n_panels++];
    *panel = (rb_panel){.title = chart_panel_titles[c], .x = rb_axis_frequency()};
    maker_curve_panel(m, panel, curve, peaks);
    widen(curve, m->page->n_sides, &low, &high);
  }
  if (!first || !(low <= high))
    return false;
  rb_axis y =
      rb_axis_around(fmax(low, high - 170), high + 5, 40, curve_axis_title(m, y_title, first));
  for (size_t i = 0; i < m->n_panels; i++)
    m->panels[i].y = y;
  return true;
}
