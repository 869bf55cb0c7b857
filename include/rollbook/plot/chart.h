// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PLOT_CHART_H
#define ROLLBOOK_PLOT_CHART_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/base/text.h"

#include <stdbool.h>
#include <stddef.h>

/// A picture of numbers as data: panels with axes and marks. rb_plot_svg draws it. Everything is
/// borrowed until then; texts may hold anything, the drawing escapes.
///
/// Colours follow a set that colour-blind readers can tell apart: blue #0072B2, vermilion #D55E00,
/// bluish green #009E73 (Okabe & Ito 2008; Wong, Nature Methods 8, 441 (2011)). Identity is never
/// by colour alone: lines carry their names, and the second is dashed in print.
// unitless: x, y, low, high, radius_x, radius_y, rings, at, least, half_width_x, rb_round_step

/// Whose numbers a mark shows.
typedef enum rb_ink { RB_INK_A, RB_INK_B, RB_INK_C, RB_INK_GREY, RB_INK_COUNT } rb_ink;

typedef enum rb_axis_kind { RB_AXIS_LINEAR, RB_AXIS_LOG, RB_AXIS_NAMED } rb_axis_kind;

/// One axis. Labels: linear, steps of 1, 2 or 5 times a power of ten; logarithmic, 1 2 5 in each
/// decade, or only decades where more would crowd; frequency in hertz as 20 50 100 … 10k 20k.
typedef struct rb_axis {
  rb_axis_kind kind;
  double low, high;         ///< What is shown; outside it nothing is drawn.
  const char *title;        ///< With the unit: "Level (dB re fundamental)".
  bool hertz;               ///< Thousands as "k".
  bool signs;               ///< "+1" on the positive side: an axis of differences.
  const char *const *names; ///< RB_AXIS_NAMED: labels at 1, 2, … n_names.
  size_t n_names;
} rb_axis;

/// The axis of audible frequencies, 20 Hz to 20 kHz.
rb_axis rb_axis_frequency(void);

/// A linear axis that holds low … high at round ends and is at least `least` wide.
rb_axis rb_axis_around(double low, double high, double least, const char *title);

/// The smallest of 1, 2 and 5 times a power of ten that is not under `least` (> 0).
double rb_round_step(double least);

/// A logarithmic axis over whole decades, or halves of them, that holds low … high (> 0).
rb_axis rb_axis_decades(double low, double high, const char *title);

/// A curve. Points that are not finite break it.
typedef struct rb_line {
  rb_ink ink;
  const double *x, *y;
  size_t n;
  const double *low, *high; ///< Band around it; NULL: none.
  const bool *resolved;     ///< Drawn pale where false; NULL: all of it full.
  const char *label;        ///< At its end; NULL: none.
  bool peaks;               ///< Far more points than pixels: of each column the largest is drawn.
} rb_line;

/// A stem from the bottom with a head at y and an interval tick.
typedef struct rb_stem {
  rb_ink ink;
  double x, y;
  double low, high;  ///< Interval; equal: none.
  bool filled;       ///< Even orders filled, odd ones open.
  bool bound;        ///< y is an upper bound: a dashed stem that ends in a bar, no head.
  const char *label; ///< Beside its head; NULL: none.
} rb_stem;

/// A hatched region from the bottom up to y.
typedef struct rb_floor {
  const double *x, *y;
  size_t n;
  double half_width_x; ///< > 0: a step that wide on both sides of each x, on a linear axis.
} rb_floor;

/// A point, with an ellipse around it where a radius is > 0, both in units of the axes.
typedef struct rb_point {
  rb_ink ink;
  double x, y;
  double radius_x, radius_y;
  double turned_deg; ///< The first radius, counter-clockwise from the x axis.
  bool filled;
  const char *label; ///< Beside it; NULL: none.
} rb_point;

/// A thin line across the panel: y = at, or x = at.
typedef struct rb_rule {
  bool vertical;
  double at;
  const char *label;
} rb_rule;

typedef struct rb_panel {
  const char *title; ///< "Left channel".
  rb_axis x, y;
  const rb_floor *floors;
  size_t n_floors;
  const rb_rule *rules;
  size_t n_rules;
  const rb_line *lines;
  size_t n_lines;
  const rb_stem *stems;
  size_t n_stems;
  const rb_point *points;
  size_t n_points;
  const double *rings; ///< Circles around (0, 0): the panel is a square plane (a dial).
  size_t n_rings;
} rb_panel;

/// One to three panels under one title that states a finding.
typedef struct rb_chart {
  char slug[32];           ///< "harmonics": names its file and its place on a page.
  const char *title;       ///< "Third harmonic unchanged at 1 W".
  const char *description; ///< For screen readers: what is shown, and what it comes to.
  const char *note;        ///< Under the picture: how to read it; NULL: none.
  const rb_panel *panels;
  size_t n_panels;
} rb_chart;

/// How a picture is used.
typedef struct rb_svg_use {
  const char *style; ///< CSS for a picture that stands alone; NULL: the page around it has it.
  bool print;        ///< Print colours: the second line-up dashed whatever the medium.
} rb_svg_use;

/// One panel as an `<svg>` element, to be set into a page beside its sisters. `index` < n_panels.
void rb_plot_panel(const rb_chart *chart, size_t index, rb_text *svg);

/// The whole chart as an SVG file of its own, title and note included.
void rb_plot_svg(const rb_chart *chart, const rb_svg_use *use, rb_text *svg);

#endif
