// SPDX-License-Identifier: GPL-3.0-or-later
#include "panel.h"

#include "axis.h"
#include "canvas.h"
#include "labels.h"

#include "rollbook/base/units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const char *const inks[RB_INK_COUNT] = {"a", "b", "c", "g"};

enum { LETTER = 12, HATCH = 7 };

typedef struct painter {
  rb_text *svg;
  const rb_panel *panel;
  const char *id; // What ids inside the picture begin with.
  double left, top, width, height;
  label_set labels;
} painter;

static double place_x(const painter *p, double x)
{
  return p->left + p->width * axis_place(&p->panel->x, x);
}

static double place_y(const painter *p, double y)
{
  return p->top + p->height * (1 - axis_place(&p->panel->y, y));
}

// On the edge where it is outside.
static double place_y_inside(const painter *p, double y)
{
  double placed = axis_place(&p->panel->y, y);
  placed = isnan(placed) || placed < 0 ? 0 : placed > 1 ? 1 : placed;
  return p->top + p->height * (1 - placed);
}

static double place_x_inside(const painter *p, double x)
{
  double placed = axis_place(&p->panel->x, x);
  placed = isnan(placed) || placed < 0 ? 0 : placed > 1 ? 1 : placed;
  return p->left + p->width * placed;
}

static double widest_label(const tick *ticks, size_t n)
{
  double widest = 0;
  for (size_t i = 0; i < n; i++)
    widest = fmax(widest, svg_text_width(ticks[i].label, LETTER));
  return widest;
}

static void draw_axes(painter *p)
{
  tick ticks[MOST_TICKS];
  double bottom = p->top + p->height;
  size_t n = axis_ticks(&p->panel->y, p->height, 24, ticks);
  for (size_t i = 0; i < n; i++) {
    double y = place_y(p, ticks[i].value);
    if (!p->panel->n_rings) // A dial has its rings.
      svg_line(p->svg, "grid", p->left, y, p->left + p->width, y);
    svg_text(p->svg, "tick", "end", p->left - 7, y + 4, ticks[i].label);
  }
  n = axis_ticks(&p->panel->x, p->width, 30, ticks);
  if (widest_label(ticks, n) > 24)
    n = axis_ticks(&p->panel->x, p->width, widest_label(ticks, n) + 8, ticks);
  for (size_t i = 0; i < n; i++) {
    double x = place_x(p, ticks[i].value);
    if (p->panel->x.kind != RB_AXIS_NAMED && !p->panel->n_rings)
      svg_line(p->svg, "grid", x, p->top, x, bottom);
    svg_text(p->svg, "tick", "middle", x, bottom + 16, ticks[i].label);
  }
  svg_line(p->svg, "axis", p->left, bottom, p->left + p->width, bottom);
}

static void draw_titles(painter *p)
{
  const rb_panel *panel = p->panel;
  if (panel->title)
    svg_text(p->svg, "head", "start", p->left, p->top - 12, panel->title);
  svg_text(p->svg, "name", "middle", p->left + p->width / 2, p->top + p->height + 36,
           panel->x.title);
  rb_text_printf(p->svg, "<g transform=\"translate(%.0f %.0f) rotate(-90)\">", 13.0,
                 p->top + p->height / 2);
  svg_text(p->svg, "name", "middle", 0, 0, panel->y.title);
  rb_text_add(p->svg, "</g>\n");
}

static void draw_rings(painter *p)
{
  double unit = p->width / (p->panel->x.high - p->panel->x.low);
  for (size_t i = 0; i < p->panel->n_rings; i++)
    svg_circle(p->svg, "ring", place_x(p, 0), place_y(p, 0), p->panel->rings[i] * unit);
  if (p->panel->n_rings) {
    svg_line(p->svg, "rule", place_x(p, 0), p->top, place_x(p, 0), p->top + p->height);
    svg_line(p->svg, "rule", p->left, place_y(p, 0), p->left + p->width, place_y(p, 0));
  }
}

static void draw_rule(painter *p, const rb_rule *rule)
{
  if (!axis_shows(rule->vertical ? &p->panel->x : &p->panel->y, rule->at))
    return;
  double right = p->left + p->width, bottom = p->top + p->height;
  double x = place_x(p, rule->at), y = place_y(p, rule->at);
  if (rule->vertical) {
    svg_line(p->svg, "rule", x, p->top, x, bottom);
    if (rule->label)
      labels_beside(&p->labels, "g", rule->label, x, p->top + LETTER, 2);
    return;
  }
  svg_line(p->svg, "rule", p->left, y, right, y);
  if (rule->label)
    labels_beside(&p->labels, "g", rule->label, p->left + 2, y - 8, 2);
}

static void path_point(rb_text *svg, bool first, double x, double y)
{
  rb_text_add(svg, first ? "M" : "L");
  svg_coordinate(svg, x);
  rb_text_add(svg, " ");
  svg_coordinate(svg, y);
}

// The outline of the floor: steps of a half width on both sides, or one area under a line.
static void floor_outline(painter *p, const rb_floor *area)
{
  double bottom = p->top + p->height;
  for (size_t i = 0; i < area->n; i++) {
    double y = place_y_inside(p, area->y[i]), x = place_x_inside(p, area->x[i]);
    if (area->half_width_x > 0) {
      double from = place_x_inside(p, area->x[i] - area->half_width_x);
      double to = place_x_inside(p, area->x[i] + area->half_width_x);
      path_point(p->svg, true, from, bottom);
      path_point(p->svg, false, from, y);
      path_point(p->svg, false, to, y);
      path_point(p->svg, false, to, bottom);
      rb_text_add(p->svg, "Z");
      continue;
    }
    if (i == 0)
      path_point(p->svg, true, x, bottom);
    path_point(p->svg, false, x, y);
    if (i == area->n - 1)
      path_point(p->svg, false, x, bottom);
  }
}

// Lines that rise to the right, cut by the outline: a pattern would be a bitmap in some viewers.
static void draw_floor(painter *p, const rb_floor *area, size_t index)
{
  double bottom = p->top + p->height, top = bottom;
  if (!area->n)
    return;
  for (size_t i = 0; i < area->n; i++)
    top = fmin(top, place_y_inside(p, area->y[i]));
  rb_text_printf(p->svg, "<clipPath id=\"%s-floor-%zu\"><path d=\"", p->id, index + 1);
  floor_outline(p, area);
  rb_text_printf(p->svg,
                 "\"/></clipPath>\n<path class=\"hatch\" clip-path=\"url(#%s-floor-%zu)\" d=\"",
                 p->id, index + 1);
  double rise = bottom - top;
  for (double x = p->left - rise; x < p->left + p->width; x += HATCH) {
    path_point(p->svg, true, x, bottom);
    path_point(p->svg, false, x + rise, top);
  }
  rb_text_add(p->svg, "\"/>\n");
}

static void draw_band(painter *p, const rb_line *line)
{
  bool first = true;
  if (!line->low || !line->high)
    return;
  rb_text_printf(p->svg, "<path class=\"band fill-%s\" d=\"", inks[line->ink]);
  for (size_t i = 0; i < line->n; i++)
    if (axis_shows(&p->panel->x, line->x[i]) && isfinite(line->high[i])) {
      path_point(p->svg, first, place_x(p, line->x[i]), place_y_inside(p, line->high[i]));
      first = false;
    }
  for (size_t i = line->n; i-- > 0;)
    if (axis_shows(&p->panel->x, line->x[i]) && isfinite(line->low[i]))
      path_point(p->svg, false, place_x(p, line->x[i]), place_y_inside(p, line->low[i]));
  rb_text_add(p->svg, "Z\"/>\n");
}

// A column of the picture is half a unit wide; of a curve with `peaks`, each keeps its largest y.
static bool is_drawn(const painter *p, const rb_line *line, size_t i)
{
  if (!axis_shows(&p->panel->x, line->x[i]) || !isfinite(line->y[i]))
    return false;
  if (!line->peaks)
    return true;
  double column = floor(2 * place_x(p, line->x[i]));
  for (size_t k = i; k-- > 0 && floor(2 * place_x(p, line->x[k])) == column;)
    if (line->y[k] >= line->y[i])
      return false;
  for (size_t k = i + 1; k < line->n && floor(2 * place_x(p, line->x[k])) == column; k++)
    if (line->y[k] > line->y[i])
      return false;
  return true;
}

// The runs where `resolved` is as wanted; a pale run reaches into its neighbours so that no gap
// stays.
static void draw_runs(painter *p, const rb_line *line, bool resolved)
{
  rb_text path = {0};
  bool pen_down = false;
  for (size_t i = 0; i < line->n; i++) {
    if (!isfinite(line->y[i]) || (line->resolved && line->resolved[i] != resolved &&
                                  !(i && !resolved && !line->resolved[i - 1]))) {
      pen_down = false;
      continue;
    }
    if (!is_drawn(p, line, i))
      continue;
    path_point(&path, !pen_down, place_x(p, line->x[i]), place_y_inside(p, line->y[i]));
    pen_down = true;
  }
  p->svg->failed = p->svg->failed || path.failed;
  if (path.length)
    rb_text_printf(p->svg, "<path class=\"line ink-%s%s%s\" d=\"%s\"/>\n", inks[line->ink],
                   line->peaks ? " fine" : "", resolved ? "" : " pale", path.bytes);
  rb_text_free(&path);
}

static void draw_line(painter *p, const rb_line *line)
{
  if (line->resolved)
    draw_runs(p, line, false);
  draw_runs(p, line, true);
  for (size_t i = line->n; line->label && i-- > 0;)
    if (axis_shows(&p->panel->x, line->x[i]) && isfinite(line->y[i])) {
      labels_at_end(&p->labels, inks[line->ink], line->label, p->left + p->width + 6,
                    place_y_inside(p, line->y[i]));
      break;
    }
}

static void draw_interval(painter *p, const rb_stem *stem, double x)
{
  char classes[32];
  double low = place_y_inside(p, stem->low), high = place_y_inside(p, stem->high);
  if (low - high < 9) // Hidden by the head.
    return;
  snprintf(classes, sizeof classes, "tickmark ink-%s", inks[stem->ink]);
  svg_line(p->svg, classes, x, low, x, high);
  svg_line(p->svg, classes, x - 3, low, x + 3, low);
  svg_line(p->svg, classes, x - 3, high, x + 3, high);
}

static void draw_stem(painter *p, const rb_stem *stem)
{
  const char *ink = inks[stem->ink];
  char classes[32];
  double x = place_x(p, stem->x), y = place_y_inside(p, stem->y), bottom = p->top + p->height;
  snprintf(classes, sizeof classes, "stem ink-%s%s", ink, stem->bound ? " bound" : "");
  svg_line(p->svg, classes, x, bottom, x, stem->bound ? y : y + 4);
  draw_interval(p, stem, x);
  if (stem->bound) {
    snprintf(classes, sizeof classes, "stem ink-%s", ink);
    svg_line(p->svg, classes, x - 4, y, x + 4, y);
  } else {
    snprintf(classes, sizeof classes, "%s-%s", stem->filled ? "full" : "open", ink);
    svg_circle(p->svg, classes, x, y, 4);
  }
  labels_avoid(&p->labels, x - 5, y - 5, 10, 10);
  if (stem->label)
    labels_beside(&p->labels, ink, stem->label, x, y, 8);
}

static void draw_point(painter *p, const rb_point *point)
{
  if (!axis_shows(&p->panel->x, point->x) || !axis_shows(&p->panel->y, point->y))
    return;
  double x = place_x(p, point->x), y = place_y(p, point->y);
  const char *ink = inks[point->ink];
  if (point->radius_x > 0 && point->radius_y > 0) {
    double unit_x = p->width / (p->panel->x.high - p->panel->x.low);
    double unit_y = p->height / (p->panel->y.high - p->panel->y.low);
    rb_text_printf(p->svg,
                   "<ellipse class=\"ellipse ink-%s fill-%s\" rx=\"%.2f\" ry=\"%.2f\" "
                   "transform=\"translate(%.1f %.1f) rotate(%.1f)\"/>\n",
                   ink, ink, point->radius_x * unit_x, point->radius_y * unit_y, x, y,
                   -point->turned_deg);
  }
  char classes[16];
  snprintf(classes, sizeof classes, "%s-%s", point->filled ? "full" : "open", ink);
  svg_circle(p->svg, classes, x, y, 4.5);
  labels_avoid(&p->labels, x - 6, y - 6, 12, 12);
}

static void label_points(painter *p)
{
  for (size_t i = 0; i < p->panel->n_points; i++) {
    const rb_point *point = &p->panel->points[i];
    if (point->label && axis_shows(&p->panel->x, point->x) && axis_shows(&p->panel->y, point->y))
      labels_beside(&p->labels, inks[point->ink], point->label, place_x(p, point->x),
                    place_y(p, point->y), 8);
  }
}

static void draw_marks(painter *p)
{
  const rb_panel *panel = p->panel;
  draw_rings(p);
  for (size_t i = 0; i < panel->n_floors; i++)
    draw_floor(p, &panel->floors[i], i);
  for (size_t i = 0; i < panel->n_rules; i++)
    draw_rule(p, &panel->rules[i]);
  for (size_t i = 0; i < panel->n_lines; i++)
    draw_band(p, &panel->lines[i]);
  for (size_t i = 0; i < panel->n_lines; i++)
    draw_line(p, &panel->lines[i]);
  for (size_t i = 0; i < panel->n_stems; i++)
    draw_stem(p, &panel->stems[i]);
  for (size_t i = 0; i < panel->n_points; i++)
    draw_point(p, &panel->points[i]);
  label_points(p);
}

double panel_height(const rb_panel *panel)
{
  return panel->n_rings ? 316 : 292;
}

static double right_margin(const rb_panel *panel)
{
  double widest = 0;
  for (size_t i = 0; i < panel->n_lines; i++)
    if (panel->lines[i].label)
      widest = fmax(widest, svg_text_width(panel->lines[i].label, LETTER));
  return fmin(14 + widest, 140);
}

void panel_draw(const rb_panel *panel, const char *id, rb_text *svg)
{
  painter p = {.svg = svg, .panel = panel, .id = id, .left = 58, .top = 32};
  p.height = panel_height(panel) - p.top - 46;
  p.width = PANEL_WIDTH - p.left - right_margin(panel);
  if (panel->n_rings) { // A plane has the same unit both ways.
    p.left += (p.width - p.height) / 2;
    p.width = p.height;
  }
  labels_begin(&p.labels, p.left, p.top, p.width, p.height);
  draw_axes(&p);
  draw_titles(&p);
  draw_marks(&p);
  labels_draw(&p.labels, svg);
}
