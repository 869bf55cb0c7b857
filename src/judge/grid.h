// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_JUDGE_GRID_H
#define ROLLBOOK_SRC_JUDGE_GRID_H

#include "effects.h"

#include "rollbook/book/book.h"

/// A quantity in a sitting.
// unitless: mean, squares
typedef struct grid_cell {
  double n;       ///< Passes that count.
  double mean;    ///< On the scale of comparison (logarithms where that is a ratio).
  double squares; ///< Of their deviations.
} grid_cell;

/// All sittings of a table against all quantities; as in a comparison, passes before the warm-up
/// gate opened count only where a sitting has no others.
typedef struct readings_grid {
  const rb_table *table;
  swap_sittings sittings; ///< Line-up numbers as swap_sittings_gather gives them.
  int64_t *lineup_ids;    ///< One a sitting.
  swap_scale *scales;     ///< One a quantity; RATIO only where all values are positive.
  grid_cell *cells;       ///< Quantity × sitting.
} readings_grid;

RB_NODISCARD rb_status grid_make(const rb_table *table, rb_arena *arena, readings_grid *grid);

const grid_cell *grid_at(const readings_grid *grid, size_t quantity, size_t sitting);

/// Back from the scale of comparison.
// unitless: value
double grid_in_unit(const readings_grid *grid, size_t quantity, double value);

/// Spread of passes within sittings, and of sittings within line-ups, over the whole table.
RB_NODISCARD rb_status grid_spreads(const readings_grid *grid, size_t quantity, rb_arena *arena,
                                    rb_spread *within, rb_spread *between);

/// The condition in which `key` was measured most often, or NULL.
const char *grid_main_condition(const readings_grid *grid, const char *key);

#endif
