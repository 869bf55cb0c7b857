// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/report/study_plot.h"

#include "rollbook/plot/chart.h"
#include "rollbook/report/page_part.h"
#include "rollbook/report/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

// A typographic minus, as figures on a page have it.
static const char *sign_of(double value)
{
  return value < 0 ? "\u2212" : "+";
}

void rb_study_words(const rb_study_pair *pair, size_t n_tested, char *words, size_t size)
{
  if (!pair->tested && pair->n_points < RB_STUDY_LEAST_LINEUPS) {
    snprintf(words, size, "%zu line-ups: too few for a p value, %d are needed", pair->n_points,
             RB_STUDY_LEAST_LINEUPS);
    return;
  }
  if (!pair->tested) {
    snprintf(words, size, "all line-ups read or sound alike: nothing to correlate");
    return;
  }
  snprintf(words, size, "rank correlation %s%.2f, p %.2g (%.2g with all %zu comparisons looked at)",
           sign_of(pair->rho), fabs(pair->rho), pair->p, pair->p_holm, n_tested);
}

// The axes hold all points with some room for their names.
static void place_axes(const rb_study_pair *pair, const rb_scale *scale, const char *title,
                       rb_panel *panel)
{
  double x[2] = {INFINITY, -INFINITY}, y[2] = {0, 0};
  for (size_t i = 0; i < pair->n_points; i++) {
    double reading = pair->points[i].reading * scale->factor;
    x[0] = fmin(x[0], reading);
    x[1] = fmax(x[1], reading);
    y[0] = fmin(y[0], pair->points[i].score);
    y[1] = fmax(y[1], pair->points[i].score);
  }
  double room = 0.1 * (x[1] - x[0]);
  double least = fmax(1e-6 * fmax(fabs(x[0]), fabs(x[1])), 1e-9);
  panel->x = rb_axis_around(x[0] - room, x[1] + room, least, title);
  panel->y = rb_axis_around(y[0] - 0.3, y[1] + 0.3, 2, pair->attribute->label);
  panel->y.signs = true;
}

static rb_status place_points(const rb_study_pair *pair, const rb_scale *scale, rb_arena *arena,
                              rb_panel *panel)
{
  rb_point *points = rb_arena_alloc(arena, pair->n_points, sizeof *points);
  if (!points)
    return RB_NO_MEM;
  for (size_t i = 0; i < pair->n_points; i++)
    points[i] = (rb_point){.ink = RB_INK_A,
                           .x = pair->points[i].reading * scale->factor,
                           .y = pair->points[i].score,
                           .filled = true,
                           .label = pair->points[i].lineup->name};
  panel->points = points;
  panel->n_points = pair->n_points;
  return RB_OK;
}

static rb_status draw(const rb_study_pair *pair, rb_arena *arena, rb_text *svg)
{
  char words[RB_FIGURE_SIZE * 2], condition[RB_FIGURE_SIZE];
  double largest = 0;
  for (size_t i = 0; i < pair->n_points; i++)
    largest = fmax(largest, fabs(pair->points[i].reading));
  rb_scale scale = rb_scale_for(pair->quantity.unit, largest);
  snprintf(condition, sizeof condition, "%s", rb_condition_words(pair->quantity.condition).text);
  const rb_reading_kind *kind = rb_reading_kind_find(pair->quantity.key);
  const char *reading = kind ? kind->label : pair->quantity.key;
  rb_study_words(pair, 0, words, sizeof words);
  char *tail = strstr(words, " (");
  if (tail)
    *tail = '\0';
  const char *axis = rb_arena_printf(arena, "%s, %s (%s)", reading, condition, scale.unit);
  const char *title = rb_arena_printf(arena, "%s: %s", pair->attribute->label, words);
  const char *description =
      rb_arena_printf(arena, "%s as heard, over %s as measured, one point a line-up: %s.",
                      pair->attribute->label, reading, words);
  if (!axis || !title || !description)
    return RB_NO_MEM;
  rb_panel panel = {.title = ""};
  place_axes(pair, &scale, axis, &panel);
  RB_TRY(place_points(pair, &scale, arena, &panel));
  rb_chart chart = {.slug = "study",
                    .title = title,
                    .description = description,
                    .note = "Up: heard more of it than in the line-up at 0.",
                    .panels = &panel,
                    .n_panels = 1};
  rb_plot_svg(&chart, &(rb_svg_use){.style = rb_page_part("plot.css")}, svg);
  return svg->failed ? RB_NO_MEM : RB_OK;
}

rb_status rb_study_plot(const rb_study_pair *pair, rb_arena *arena, rb_text *svg, rb_err *err)
{
  rb_status status = draw(pair, arena, svg);
  return status == RB_OK ? RB_OK : rb_fail(err, status, "Out of memory while drawing a plot.");
}
