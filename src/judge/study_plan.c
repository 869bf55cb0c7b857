// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/study.h"

#include "grid.h"

#include <math.h>
#include <string.h>

static double mean_of(const readings_grid *grid, size_t quantity)
{
  double sum = 0, n = 0;
  for (size_t s = 0; s < grid->sittings.n; s++) {
    const grid_cell *cell = grid_at(grid, quantity, s);
    if (cell->n == 0)
      continue;
    sum += cell->mean;
    n += 1;
  }
  return n > 0 ? sum / n : 0;
}

static rb_status plan_one(const readings_grid *grid, size_t quantity, double change,
                          size_t n_passes, double power, rb_arena *arena, rb_study_plan *plan)
{
  rb_spread within, between;
  RB_TRY(grid_spreads(grid, quantity, arena, &within, &between));
  double mean = mean_of(grid, quantity);
  bool ratio = grid->scales[quantity] == SCALE_RATIO;
  double unit = ratio ? exp(mean) : 1; // a small ratio in the reading's unit
  double reseating = between.variance;
  if (within.df > 0 && between.weight > 0)
    reseating = fmax(reseating - within.variance / between.weight, 0);
  *plan = (rb_study_plan){.quantity = grid->table->quantities[quantity],
                          .mean = grid_in_unit(grid, quantity, mean),
                          .within_sd = unit * sqrt(within.variance),
                          .between_sd = unit * sqrt(reseating),
                          .within_df = within.df,
                          .between_df = between.df};
  if (between.df > 0)
    plan->sittings = rb_sittings_needed(plan->between_sd, plan->within_sd, n_passes, change, power);
  return RB_OK;
}

rb_status rb_study_how_many(const rb_study_data *data, const char *key, const char *condition,
                            double change, size_t n_passes, double power, rb_arena *arena,
                            rb_study_plan **plans, size_t *n, rb_err *err)
{
  readings_grid grid;
  *n = 0;
  *plans = rb_arena_alloc(arena, data->table.n_quantities, sizeof **plans);
  if (!*plans || grid_make(&data->table, arena, &grid) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while planning sittings.");
  const char *where = condition ? condition : grid_main_condition(&grid, key);
  for (size_t q = 0; q < data->table.n_quantities && where; q++) {
    const rb_quantity *quantity = &data->table.quantities[q];
    if (strcmp(quantity->key, key) != 0 || strcmp(quantity->condition, where) != 0)
      continue;
    if (plan_one(&grid, q, change, n_passes, power, arena, &(*plans)[(*n)++]) != RB_OK)
      return rb_fail(err, RB_NO_MEM, "Memory ran out while planning sittings.");
  }
  if (!*n)
    return rb_fail(err, RB_NOT_FOUND, "'%s'%s%s was not measured on '%s' yet.", key,
                   condition ? " at " : "", condition ? condition : "", data->amplifier.name);
  return RB_OK;
}
