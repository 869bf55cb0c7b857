// SPDX-License-Identifier: GPL-3.0-or-later
#include "grid.h"

#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

static rb_status choose_scales(const rb_table *table, rb_arena *arena, readings_grid *grid)
{
  grid->scales = rb_arena_alloc(arena, table->n_quantities, sizeof *grid->scales);
  if (!grid->scales)
    return RB_NO_MEM;
  for (size_t i = 0; i < table->n_quantities; i++)
    grid->scales[i] = swap_scale_of(&table->quantities[i]);
  for (size_t i = 0; i < table->n_values; i++)
    if (grid->scales[table->values[i].quantity] == SCALE_RATIO && table->values[i].value <= 0)
      grid->scales[table->values[i].quantity] = SCALE_PLAIN;
  return RB_OK;
}

static double on_scale(const readings_grid *grid, const rb_table_value *value, double *reference)
{
  if (grid->scales[value->quantity] == SCALE_RATIO)
    return log(value->value);
  if (grid->scales[value->quantity] == SCALE_PLAIN)
    return value->value;
  if (isnan(*reference))
    *reference = value->value;
  return *reference + rb_fold_deg(value->value - *reference);
}

static rb_status fill_cells(rb_arena *arena, readings_grid *grid)
{
  const rb_table *table = grid->table;
  double *references = rb_arena_doubles(arena, table->n_quantities); // angles: the first one met
  if (!references)
    return RB_NO_MEM;
  for (size_t i = 0; i < table->n_quantities; i++)
    references[i] = NAN;
  for (size_t i = 0; i < table->n_values; i++) {
    const rb_table_value *value = &table->values[i];
    uint32_t sitting = grid->sittings.sitting_of_pass[value->pass];
    if (grid->sittings.all[sitting].settled && !table->passes[value->pass].settled)
      continue;
    grid_cell *cell = &grid->cells[value->quantity * grid->sittings.n + sitting];
    double x = on_scale(grid, value, &references[value->quantity]);
    double step = x - cell->mean; // Welford, Technometrics 4(3), 1962
    cell->n += 1;
    cell->mean += step / cell->n;
    cell->squares += step * (x - cell->mean);
  }
  return RB_OK;
}

rb_status grid_make(const rb_table *table, rb_arena *arena, readings_grid *grid)
{
  *grid = (readings_grid){.table = table};
  RB_TRY(swap_sittings_gather(table, 0, 0, arena, &grid->sittings));
  size_t n = grid->sittings.n;
  grid->lineup_ids = rb_arena_alloc(arena, n, sizeof *grid->lineup_ids);
  grid->cells = rb_arena_alloc(arena, n * table->n_quantities, sizeof *grid->cells);
  if (!grid->lineup_ids || !grid->cells)
    return RB_NO_MEM;
  for (size_t i = 0; i < table->n_passes; i++)
    grid->lineup_ids[grid->sittings.sitting_of_pass[i]] = table->passes[i].lineup_id;
  RB_TRY(choose_scales(table, arena, grid));
  return fill_cells(arena, grid);
}

const grid_cell *grid_at(const readings_grid *grid, size_t quantity, size_t sitting)
{
  return &grid->cells[quantity * grid->sittings.n + sitting];
}

double grid_in_unit(const readings_grid *grid, size_t quantity, double value)
{
  return grid->scales[quantity] == SCALE_RATIO   ? exp(value)
         : grid->scales[quantity] == SCALE_ANGLE ? rb_fold_deg(value)
                                                 : value;
}

rb_status grid_spreads(const readings_grid *grid, size_t quantity, rb_arena *arena,
                       rb_spread *within, rb_spread *between)
{
  rb_arena_mark mark = rb_arena_save(arena);
  rb_sitting_mean *means = rb_arena_alloc(arena, grid->sittings.n, sizeof *means);
  size_t n = 0;
  if (!means)
    return RB_NO_MEM;
  *within = *between = (rb_spread){0};
  for (size_t i = 0; i < grid->sittings.n; i++) {
    const grid_cell *cell = grid_at(grid, quantity, i);
    if (cell->n == 0)
      continue;
    if (cell->n > 1)
      rb_spread_add(within, cell->squares, cell->n - 1);
    means[n++] = (rb_sitting_mean){.lineup = grid->sittings.all[i].lineup,
                                   .time_s = grid->sittings.all[i].time_s,
                                   .mean = cell->mean,
                                   .weight = cell->n};
  }
  RB_TRY(rb_spread_of_sittings(means, n, arena, between));
  rb_arena_rewind(arena, mark);
  return RB_OK;
}

const char *grid_main_condition(const readings_grid *grid, const char *key)
{
  const char *best = NULL;
  double most = 0;
  for (size_t i = 0; i < grid->table->n_quantities; i++) {
    double n = 0;
    if (strcmp(grid->table->quantities[i].key, key) != 0)
      continue;
    for (size_t s = 0; s < grid->sittings.n; s++)
      n += grid_at(grid, i, s)->n;
    if (n > most) {
      most = n;
      best = grid->table->quantities[i].condition;
    }
  }
  return best;
}
