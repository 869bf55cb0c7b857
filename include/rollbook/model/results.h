// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_RESULTS_H
#define ROLLBOOK_MODEL_RESULTS_H

#include "rollbook/base/arena.h"
#include "rollbook/model/reading.h"

/// A reading over frequency, level or time.
typedef struct rb_curve {
  char key[RB_KEY_SIZE]; ///< "response", "spectrum", "thd_by_level", …
  rb_channel channel;
  char condition[RB_CONDITION_SIZE];
  char x_unit[RB_UNIT_SIZE];
  char y_unit[RB_UNIT_SIZE];
  const double *x;
  const double *y;
  const double *uncertainty; ///< Of y, same unit; NULL where unknown.
  size_t n;
} rb_curve;

/// Readings and curves as an analysis makes them. Everything lives in `arena`.
typedef struct rb_results {
  rb_arena *arena;
  rb_reading *readings;
  size_t n_readings, readings_capacity;
  rb_curve *curves;
  size_t n_curves, curves_capacity;
} rb_results;

rb_results rb_results_in(rb_arena *arena);

/// Appends a copy. RB_NO_MEM.
RB_NODISCARD rb_status rb_results_add(rb_results *results, const rb_reading *reading);

/// Appends a curve whose arrays the results' arena copies. RB_NO_MEM.
RB_NODISCARD rb_status rb_results_add_curve(rb_results *results, const rb_curve *curve);

/// The first reading with this key and channel whose condition starts with `condition_start`
/// ("" for any), or NULL.
const rb_reading *rb_results_find(const rb_results *results, const char *key, rb_channel channel,
                                  const char *condition_start);

const rb_curve *rb_results_find_curve(const rb_results *results, const char *key,
                                      rb_channel channel, const char *condition_start);

#endif
