// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_PLOT_LABELS_H
#define ROLLBOOK_SRC_PLOT_LABELS_H

#include "rollbook/base/text.h"

#include <stddef.h>

// Labels that stand beside what they name and keep out of each other's way.

enum { MOST_LABELS = 32, MOST_BOXES = 96 };

typedef struct box {
  double x, y, width, height; // y is the upper edge.
} box;

typedef struct label_text {
  const char *ink;
  const char *text;
  double x, y; // Where the text starts, its baseline.
} label_text;

typedef struct label_set {
  box frame;
  box boxes[MOST_BOXES];
  size_t n_boxes;
  label_text beside[MOST_LABELS];
  size_t n_beside;
  label_text ends[MOST_LABELS];
  size_t n_ends;
} label_set;

void labels_begin(label_set *set, double x, double y, double width, double height);

// A place where no label may stand.
void labels_avoid(label_set *set, double x, double y, double width, double height);

// A label near (x, y), `gap` away from it, where it covers least.
void labels_beside(label_set *set, const char *ink, const char *text, double x, double y,
                   double gap);

// A label at the end of a line, right of the frame at height y; these are pushed apart.
void labels_at_end(label_set *set, const char *ink, const char *text, double x, double y);

void labels_draw(label_set *set, rb_text *svg);

#endif
