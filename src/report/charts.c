// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include "rollbook/base/units.h"
#include "rollbook/report/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { LOWEST_ORDER = 2, HIGHEST_ORDER = 10, N_ORDERS = 9 };

static const char *const orders[N_ORDERS] = {"H2", "H3", "H4", "H5", "H6", "H7", "H8", "H9", "H10"};
static const char *const side_names[2] = {"A", "B"};
static const rb_channel channels[] = {RB_LEFT, RB_RIGHT, RB_BOTH};
static const char *const panel_titles[] = {"Left channel", "Right channel", "Both channels"};

// A chart being made. When memory runs out `failed` is set and the chart is dropped.
typedef struct maker {
  const shown *page;
  rb_arena *arena;
  const char *condition;
  rb_panel panels[3];
  size_t n_panels;
  bool failed;
} maker;

static void *take(maker *m, size_t count, size_t size)
{
  void *memory = rb_arena_alloc(m->arena, count, size);
  m->failed = m->failed || !memory;
  return memory;
}

static const char *keep(maker *m, const char *text)
{
  const char *copy = rb_arena_copy(m->arena, text);
  m->failed = m->failed || !copy;
  return copy ? copy : "";
}

// "A: before the swap. B: after it." or nothing where one line-up is shown.
static void name_sides(const maker *m, rb_text *text)
{
  if (m->page->n_sides == 2)
    rb_text_printf(text, "A: %s. B: %s. ", m->page->lineups[0]->name, m->page->lineups[1]->name);
}

static const char *kept_text(maker *m, rb_text *text)
{
  const char *kept = keep(m, text->bytes && !text->failed ? text->bytes : "");
  rb_text_free(text);
  return kept;
}

static const shown_row *order_row(const maker *m, int order, rb_channel channel)
{
  char key[RB_KEY_SIZE];
  snprintf(key, sizeof key, "h%d", order);
  return shown_find(m->page, key, channel, m->condition);
}

static void harmonics_stems(maker *m, rb_panel *panel, rb_channel channel)
{
  size_t n_sides = m->page->n_sides;
  rb_stem *stems = take(m, N_ORDERS * n_sides, sizeof *stems);
  double *floor_x = take(m, N_ORDERS, sizeof *floor_x),
         *floor_y = take(m, N_ORDERS, sizeof *floor_y);
  rb_floor *floors = take(m, 1, sizeof *floors);
  if (m->failed)
    return;
  for (int order = LOWEST_ORDER; order <= HIGHEST_ORDER; order++) {
    const shown_row *row = order_row(m, order, channel);
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
    stems[i].label = side_names[i];
}

static double highest_stem(const maker *m)
{
  double highest = -140;
  for (size_t i = 0; i < m->n_panels; i++)
    for (size_t k = 0; k < m->panels[i].n_stems; k++)
      highest = fmax(highest, m->panels[i].stems[k].high);
  return highest;
}

static double lowest_mark(const maker *m)
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

// "fell by 6.1 dB" or "did not change measurably".
static void add_move(rb_text *text, const rb_effect *effect)
{
  if (effect->word != RB_CHANGED) {
    rb_text_add(text, "no change resolved");
    return;
  }
  const double size[2] = {fabs(effect->interval[0]), fabs(effect->interval[1])};
  const double interval[2] = {fmin(size[0], size[1]), fmax(size[0], size[1])};
  rb_figure change = rb_figure_change(fabs(effect->difference), interval,
                                      rb_unit_of_change(effect->quantity.unit));
  rb_text_printf(text, "%s %s", effect->difference < 0 ? "down" : "up", change.text + 1);
}

static bool any_changed(const maker *m, const char *key, const char *condition)
{
  for (size_t c = 0; c < RB_LEN(channels); c++) {
    const shown_row *row = shown_find(m->page, key, channels[c], condition);
    if (row && (!row->effect || row->effect->word == RB_CHANGED))
      return true;
  }
  return false;
}

// "Second harmonic down 6.1 dB left, no change resolved right".
static void add_finding(const maker *m, rb_text *text, const char *key, const char *condition)
{
  const rb_reading_kind *kind = rb_reading_kind_find(key);
  rb_text_add(text, kind ? kind->label : key);
  if (!any_changed(m, key, condition)) {
    rb_text_add(text, ": no change resolved");
    return;
  }
  size_t told = 0;
  for (size_t c = 0; c < RB_LEN(channels); c++) {
    const shown_row *row = shown_find(m->page, key, channels[c], condition);
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
    rb_text_printf(text, channels[c] == RB_BOTH ? "" : " %s", rb_channel_name(channels[c]));
  }
}

static bool draw_harmonics(maker *m, rb_chart *chart)
{
  if (!m->condition)
    return false;
  for (size_t c = 0; c < RB_LEN(channels); c++) {
    rb_panel *panel = &m->panels[m->n_panels];
    *panel = (rb_panel){.title = panel_titles[c]};
    harmonics_stems(m, panel, channels[c]);
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
  add_finding(m, &title, "h2", m->condition);
  chart->title = kept_text(m, &title);
  name_sides(m, &note);
  rb_text_printf(&note,
                 "%s. Even orders filled, odd ones open; a dashed stem with a bar is an upper "
                 "bound; hatched: what "
                 "the bench could not tell from nothing.",
                 rb_condition_words(m->condition).text);
  chart->note = kept_text(m, &note);
  chart->description =
      "Stems for the second to tenth harmonic, in decibels below the tone, one panel a channel. "
      "Every value is in the tables of this page.";
  return m->n_panels > 0;
}

typedef struct place {
  double x, y; // Percent of the tone.
  double along, across;
  bool known;
} place;

// Where a line-up's second harmonic stands in the plane: size and angle φ2 − 2φ1 of cosine terms.
static place h2_place(const maker *m, rb_channel channel, size_t side)
{
  const shown_row *size = order_row(m, 2, channel);
  const shown_row *angle = shown_find(m->page, "h2_phase", channel, m->condition);
  if (!size || !angle || !size->sides[side].present || !angle->sides[side].present)
    return (place){0};
  double pct = 100 * rb_ratio_from_db(size->sides[side].value);
  double radians = angle->sides[side].value * RB_PI / 180;
  return (place){.x = pct * cos(radians),
                 .y = pct * sin(radians),
                 .along = pct * size->sides[side].expanded * log(10) / 20,
                 .across = pct * angle->sides[side].expanded * RB_PI / 180,
                 .known = size->sides[side].resolved};
}

static double dial_panel(maker *m, rb_panel *panel, rb_channel channel)
{
  rb_point *points = take(m, 2, sizeof *points);
  double reach = 0;
  if (!points)
    return 0;
  for (size_t side = 0; side < m->page->n_sides; side++) {
    place at = h2_place(m, channel, side);
    if (!at.known)
      continue;
    points[panel->n_points++] =
        (rb_point){.ink = (rb_ink)side,
                   .x = at.x,
                   .y = at.y,
                   .radius_x = at.along,
                   .radius_y = at.across,
                   .turned_deg = rb_deg_from_rad(atan2(at.y, at.x)),
                   .filled = true,
                   .label = m->page->n_sides == 2 ? side_names[side] : NULL};
    reach = fmax(reach, hypot(at.x, at.y) + fmax(at.along, at.across));
  }
  panel->points = points;
  return reach;
}

// Rings at round percentages, at most four, the outermost the plane's edge.
static void dial_plane(maker *m, double reach)
{
  double step = rb_round_step(reach / 4);
  size_t n = (size_t)ceil(reach / step - 1e-9);
  double edge = (double)n * step, *rings = take(m, n, sizeof *rings);
  for (size_t i = 0; rings && i < n; i++)
    rings[i] = (double)(i + 1) * step;
  rb_axis plane = {
      .low = -edge, .high = edge, .signs = true, .title = "In step with the wave (% of the tone)"};
  for (size_t i = 0; i < m->n_panels; i++) {
    rb_panel *panel = &m->panels[i];
    panel->x = panel->y = plane;
    panel->y.title = "A quarter turn off (% of the tone)";
    panel->rings = rings;
    panel->n_rings = n;
  }
}

static void dial_title(maker *m, rb_chart *chart)
{
  rb_text title = {0};
  add_finding(m, &title, "h2_signed", m->condition);
  chart->title = kept_text(m, &title);
}

static bool draw_dial(maker *m, rb_chart *chart)
{
  double reach = 0;
  if (!m->condition)
    return false;
  for (size_t c = 0; c < 2; c++) {
    rb_panel *panel = &m->panels[m->n_panels];
    *panel = (rb_panel){.title = panel_titles[c]};
    reach = fmax(reach, dial_panel(m, panel, channels[c]));
    m->n_panels += panel->n_points > 0;
  }
  if (!m->n_panels || !(reach > 0))
    return false;
  dial_plane(m, reach * 1.05);
  dial_title(m, chart);
  rb_text note = {0};
  name_sides(m, &note);
  rb_text_add(
      &note,
      "The second harmonic by size (distance from the middle) and angle. The middle is where both "
      "halves of the wave are alike; right and left of it one or the other half is larger. "
      "Ellipses "
      "hold about 95 % of repeats.");
  chart->note = kept_text(m, &note);
  chart->description =
      "The second harmonic of each channel as a point in the plane of its two parts, in percent of "
      "the tone, with zero in the middle.";
  return true;
}

static void spectrum_panel(maker *m, rb_panel *panel, const shown_curve *curve)
{
  rb_line *lines = take(m, 2, sizeof *lines);
  if (!lines)
    return;
  for (size_t side = 0; side < m->page->n_sides; side++)
    lines[panel->n_lines++] = (rb_line){.ink = (rb_ink)side,
                                        .x = curve->x,
                                        .y = curve->y[side],
                                        .n = curve->n,
                                        .label = m->page->n_sides == 2 ? side_names[side] : NULL,
                                        .peaks = true};
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

static const char *curve_axis_title(maker *m, const char *what, const shown_curve *curve)
{
  const char *title = rb_arena_printf(m->arena, "%s (%s)", what, curve->y_unit);
  m->failed = m->failed || !title;
  return title ? title : "";
}

static bool spectrum_panels(maker *m, const char *key, const char *condition, const char *y_title)
{
  double low = INFINITY, high = -INFINITY;
  const shown_curve *first = NULL;
  for (size_t c = 0; c < RB_LEN(channels); c++) {
    const shown_curve *curve = shown_find_curve(m->page, key, channels[c], condition);
    if (!curve || curve->n < 2)
      continue;
    first = first ? first : curve;
    rb_panel *panel = &m->panels[m->n_panels++];
    *panel = (rb_panel){.title = panel_titles[c], .x = rb_axis_frequency()};
    spectrum_panel(m, panel, curve);
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

// The strongest harmonic of each channel, of the last line-up shown.
static void add_strongest(const maker *m, rb_text *title)
{
  size_t side = m->page->n_sides - 1, told = 0;
  rb_text_add(title, side ? "Strongest beside the tone, with B:" : "Strongest beside the tone:");
  for (size_t c = 0; c < RB_LEN(channels); c++) {
    const shown_row *best = NULL;
    for (int order = LOWEST_ORDER; order <= HIGHEST_ORDER; order++) {
      const shown_row *row = order_row(m, order, channels[c]);
      bool counts = row && row->sides[side].present && row->sides[side].resolved;
      if (counts && (!best || row->sides[side].value > best->sides[side].value))
        best = row;
    }
    if (!best)
      continue;
    rb_text_printf(title, "%s %s %s", told++ ? "," : "", rb_label_words(best->quantity.key).text,
                   rb_channel_name(channels[c]));
  }
}

static bool draw_spectrum(maker *m, rb_chart *chart)
{
  if (!m->condition || !spectrum_panels(m, "spectrum", m->condition, "Level"))
    return false;
  rb_text title = {0}, note = {0};
  add_strongest(m, &title);
  chart->title = kept_text(m, &title);
  name_sides(m, &note);
  rb_text_printf(&note, "Spectrum, %s. Of each column of the picture the largest value is drawn.",
                 rb_condition_words(m->condition).text);
  chart->note = kept_text(m, &note);
  chart->description = "Level against frequency from 20 Hz to 20 kHz, one panel a channel.";
  return true;
}

static bool draw_noise(maker *m, rb_chart *chart)
{
  if (!spectrum_panels(m, "noise_spectrum", NULL, "Noise"))
    return false;
  rb_text title = {0}, note = {0};
  add_finding(m, &title, shown_find(m->page, "noise_a", RB_LEFT, NULL) ? "noise_a" : "noise", NULL);
  chart->title = kept_text(m, &title);
  name_sides(m, &note);
  rb_text_add(&note, "Nothing played. Narrow peaks are hum and its multiples.");
  chart->note = kept_text(m, &note);
  chart->description = "Noise against frequency from 20 Hz to 20 kHz, one panel a channel.";
  return true;
}

typedef struct change_panel {
  double largest; // Of the resolved part, or of all where none is.
  bool resolved;
} change_panel;

static void response_panel(maker *m, rb_panel *panel, const shown_curve *curve, change_panel *found)
{
  rb_line *line = take(m, 1, sizeof *line);
  double *low = take(m, curve->n, sizeof *low), *high = take(m, curve->n, sizeof *high);
  bool *resolved = take(m, curve->n, sizeof *resolved);
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

static bool draw_response_change(maker *m, rb_chart *chart)
{
  change_panel found = {0};
  rb_rule *zero = take(m, 1, sizeof *zero);
  for (size_t c = 0; zero && m->page->n_sides == 2 && c < RB_LEN(channels); c++) {
    const shown_curve *curve = shown_find_curve(m->page, "response", channels[c], NULL);
    if (!curve || curve->n < 2)
      continue;
    rb_panel *panel = &m->panels[m->n_panels++];
    *panel =
        (rb_panel){.title = panel_titles[c], .x = rb_axis_frequency(), .rules = zero, .n_rules = 1};
    response_panel(m, panel, curve, &found);
  }
  rb_axis y =
      rb_axis_around(-fmax(3, found.largest), fmax(3, found.largest), 6, "Change of level (dB)");
  y.signs = true;
  for (size_t i = 0; i < m->n_panels; i++)
    m->panels[i].y = y;
  rb_text title = {0}, note = {0};
  if (found.resolved)
    rb_text_printf(&title, "Response moved by up to %s", rb_figure_prose(found.largest, "dB").text);
  else
    rb_text_add(&title, "Response: no change resolved");
  chart->title = kept_text(m, &title);
  name_sides(m, &note);
  rb_text_add(
      &note,
      "Level of B against A over frequency. Band: 95 % interval; full line where the change is "
      "resolved, pale where it is not.");
  chart->note = kept_text(m, &note);
  chart->description =
      "Difference of the two responses in decibels from 20 Hz to 20 kHz, one panel a channel.";
  return m->n_panels > 0;
}

static bool draw_response(maker *m, rb_chart *chart)
{
  if (m->page->n_sides == 2 || !spectrum_panels(m, "response", NULL, "Response"))
    return false;
  for (size_t i = 0; i < m->n_panels; i++)
    ((rb_line *)m->panels[i].lines)->peaks = false;
  rb_text title = {0};
  add_finding(m, &title, "low_3db", NULL);
  chart->title = kept_text(m, &title);
  chart->description = "Level against frequency from 20 Hz to 20 kHz, one panel a channel.";
  return true;
}

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

static bool draw_power(maker *m, rb_chart *chart)
{
  double x[2] = {INFINITY, 0}, y[2] = {INFINITY, 0};
  rb_rule *rules = take(m, 2, sizeof *rules);
  for (size_t c = 0; rules && c < RB_LEN(channels); c++) {
    const shown_curve *curve = shown_find_curve(m->page, "thd_by_level", channels[c], NULL);
    if (!curve || curve->n < 2)
      continue;
    rb_panel *panel = &m->panels[m->n_panels++];
    *panel = (rb_panel){.title = panel_titles[c], .rules = rules, .n_rules = 2};
    spectrum_panel(m, panel, curve);
    power_range(curve, m->page->n_sides, x, y);
    for (size_t i = 0; i < panel->n_lines; i++)
      ((rb_line *)panel->lines)[i].peaks = false;
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
    add_finding(m, &title, "power_1pct", NULL);
  else
    rb_text_printf(&title, "Distortion from %s to %s", rb_figure_prose(x[0], "W").text,
                   rb_figure_prose(x[1], "W").text);
  chart->title = kept_text(m, &title);
  name_sides(m, &note);
  rb_text_add(&note, "Both scales logarithmic.");
  chart->note = kept_text(m, &note);
  chart->description = "Total harmonic distortion against power, one panel a channel.";
  return true;
}

static const struct {
  const char *slug;
  bool (*draw)(maker *m, rb_chart *chart);
} kinds[] = {
    {"harmonics", draw_harmonics},
    {"signed-h2", draw_dial},
    {"response-change", draw_response_change},
    {"response", draw_response},
    {"power", draw_power},
    {"spectrum", draw_spectrum},
    {"noise", draw_noise},
};

rb_status charts_of(const shown *page, rb_arena *arena, chart_set *set)
{
  set->n = 0;
  for (size_t i = 0; i < RB_LEN(kinds); i++) {
    maker m = {.page = page, .arena = arena, .condition = shown_main_condition(page)};
    rb_chart *chart = &set->charts[set->n];
    *chart = (rb_chart){0};
    rb_text_copy(chart->slug, sizeof chart->slug, kinds[i].slug);
    bool drawn = kinds[i].draw(&m, chart);
    rb_panel *panels = drawn ? take(&m, m.n_panels, sizeof *panels) : NULL;
    if (m.failed)
      return RB_NO_MEM;
    if (!drawn)
      continue;
    memcpy(panels, m.panels, m.n_panels * sizeof *panels);
    chart->panels = panels;
    chart->n_panels = m.n_panels;
    set->n++;
  }
  return RB_OK;
}
