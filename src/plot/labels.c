// SPDX-License-Identifier: GPL-3.0-or-later
#include "labels.h"

#include "canvas.h"

#include <math.h>
#include <stdio.h>

enum { LETTER = 12, LINE_STEP = 14 };

void labels_begin(label_set *set, double x, double y, double width, double height)
{
  set->frame = (box){x, y, width, height};
  set->n_boxes = set->n_beside = set->n_ends = 0;
}

void labels_avoid(label_set *set, double x, double y, double width, double height)
{
  if (set->n_boxes < MOST_BOXES)
    set->boxes[set->n_boxes++] = (box){x, y, width, height};
}

static double overlap(const box *a, const box *b)
{
  double width = fmin(a->x + a->width, b->x + b->width) - fmax(a->x, b->x);
  double height = fmin(a->y + a->height, b->y + b->height) - fmax(a->y, b->y);
  return width > 0 && height > 0 ? width * height : 0;
}

// What a label there would cover; outside the frame counts double.
static double covered(const label_set *set, const box *place)
{
  double inside = overlap(place, &set->frame);
  double sum = 2 * (place->width * place->height - inside);
  for (size_t i = 0; i < set->n_boxes; i++)
    sum += overlap(place, &set->boxes[i]);
  return sum;
}

void labels_beside(label_set *set, const char *ink, const char *text, double x, double y,
                   double gap)
{
  // Right, above, left, below, then the corners; further out last.
  static const double ways[][2] = {{1, 0},  {0, -1},  {-1, 0}, {0, 1},
                                   {1, -1}, {-1, -1}, {-1, 1}, {1, 1}};
  double width = svg_text_width(text, LETTER);
  box best = {0};
  double least = INFINITY;
  for (int distance = 1; distance <= 4; distance++)
    for (size_t i = 0; i < RB_LEN(ways); i++) {
      double away = gap * distance;
      box tried = {.width = width, .height = LETTER};
      tried.x = x + ways[i][0] * (away + width / 2) - width / 2;
      tried.y = y + ways[i][1] * (away + LETTER / 2.0) - LETTER / 2.0;
      double cost = covered(set, &tried) + distance;
      if (cost < least) {
        least = cost;
        best = tried;
      }
    }
  if (set->n_beside == MOST_LABELS)
    return;
  set->beside[set->n_beside++] = (label_text){ink, text, best.x, best.y + LETTER - 2};
  labels_avoid(set, best.x, best.y, best.width, best.height);
}

void labels_at_end(label_set *set, const char *ink, const char *text, double x, double y)
{
  if (set->n_ends == MOST_LABELS)
    return;
  size_t at = set->n_ends++;
  for (; at && set->ends[at - 1].y > y; at--)
    set->ends[at] = set->ends[at - 1];
  set->ends[at] = (label_text){ink, text, x, y};
}

// Labels in order of height: neighbours nearer than a line are moved apart, all alike.
static void push_apart(label_set *set)
{
  double lowest = set->frame.y + set->frame.height;
  for (int round = 0; round < 60; round++)
    for (size_t i = 1; i < set->n_ends; i++) {
      double lacking = LINE_STEP - (set->ends[i].y - set->ends[i - 1].y);
      if (lacking > 0) {
        set->ends[i - 1].y -= lacking / 2;
        set->ends[i].y += lacking / 2;
      }
    }
  if (!set->n_ends)
    return;
  double below = set->ends[set->n_ends - 1].y - lowest;
  double above = set->frame.y - set->ends[0].y;
  for (size_t i = 0; i < set->n_ends; i++)
    set->ends[i].y += below > 0 ? -below : above > 0 ? above : 0;
}

static void draw(const label_text *label, double drop, rb_text *svg)
{
  char classes[24];
  snprintf(classes, sizeof classes, "label text-%s", label->ink);
  svg_text(svg, classes, "start", label->x, label->y + drop, label->text);
}

void labels_draw(label_set *set, rb_text *svg)
{
  push_apart(set);
  for (size_t i = 0; i < set->n_beside; i++)
    draw(&set->beside[i], 0, svg);
  for (size_t i = 0; i < set->n_ends; i++)
    draw(&set->ends[i], 4, svg);
}
