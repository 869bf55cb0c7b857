// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_PLOT_AXIS_H
#define ROLLBOOK_SRC_PLOT_AXIS_H

#include "rollbook/plot/chart.h"

enum { MOST_TICKS = 48 };

typedef struct tick {
  double value;
  char label[24];
} tick;

// Where `value` stands between the ends of the axis: 0 … 1.
double axis_place(const rb_axis *axis, double value);

bool axis_shows(const rb_axis *axis, double value);

// Labels for an axis of that length whose labels need `room` of it each. Returns how many.
size_t axis_ticks(const rb_axis *axis, double length, double room, tick ticks[MOST_TICKS]);

#endif
