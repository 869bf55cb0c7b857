// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include "rollbook/base/units.h"

#include <math.h>

typedef struct place {
  double x, y; // Percent of the tone.
  double along, across;
  bool known;
} place;

// Where a line-up's second harmonic stands in the plane: size and angle φ2 − 2φ1 of cosine terms.
static place h2_place(const chart_maker *m, rb_channel channel, size_t side)
{
  const shown_row *size = maker_order(m, 2, channel);
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

static double dial_panel(chart_maker *m, rb_panel *panel, rb_channel channel)
{
  rb_point *points = maker_take(m, 2, sizeof *points);
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
                   .label = m->page->n_sides == 2 ? chart_side_names[side] : NULL};
    reach = fmax(reach, hypot(at.x, at.y) + fmax(at.along, at.across));
  }
  panel->points = points;
  return reach;
}

// Rings at round percentages, at most four, the outermost the plane's edge.
static void dial_plane(chart_maker *m, double reach)
{
  double step = rb_round_step(reach / 4);
  size_t n = (size_t)ceil(reach / step - 1e-9);
  double edge = (double)n * step, *rings = maker_take(m, n, sizeof *rings);
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

static void dial_title(chart_maker *m, rb_chart *chart)
{
  rb_text title = {0};
  maker_finding(m, &title, "h2_signed", m->condition);
  chart->title = maker_text(m, &title);
}

bool chart_dial(chart_maker *m, rb_chart *chart)
{
  double reach = 0;
  if (!m->condition)
    return false;
  for (size_t c = 0; c < 2; c++) {
    rb_panel *panel = &m->panels[m->n_panels];
    *panel = (rb_panel){.title = chart_panel_titles[c]};
    reach = fmax(reach, dial_panel(m, panel, chart_channels[c]));
    m->n_panels += panel->n_points > 0;
  }
  if (!m->n_panels || !(reach > 0))
    return false;
  dial_plane(m, reach * 1.05);
  dial_title(m, chart);
  rb_text note = {0};
  maker_name_sides(m, &note);
  rb_text_add(
      &note,
      "The second harmonic by size (distance from the middle) and angle. The middle is where both "
      "halves of the wave are alike; right and left of it one or the other half is larger. "
      "Ellipses "
      "hold about 95 % of repeats.");
  chart->note = maker_text(m, &note);
  chart->description =
      "The second harmonic of each channel as a point in the plane of its two parts, in percent of "
      "the tone, with zero in the middle.";
  return true;
}
