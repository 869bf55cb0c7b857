// SPDX-License-Identifier: GPL-3.0-or-later
// Reads "n_sittings n_factors", the factors' numbers of levels, then a line a sitting (its levels
// and its mean); fits with one pass each and prints a line an effect: factor, level, separable,
// effect, standard error, interval.
#include "rollbook/stats/factors.h"

#include <stdio.h>
#include <stdlib.h>

enum { MOST = 400, MOST_FACTORS = 8 };

int main(void)
{
  static int levels[MOST * MOST_FACTORS], n_levels[MOST_FACTORS], n_passes[MOST];
  static double means[MOST];
  rb_factor_data data = {
      .n_levels = n_levels, .levels = levels, .sitting_mean = means, .n_passes = n_passes};
  if (scanf("%zu %zu", &data.n_sittings, &data.n_factors) != 2 || data.n_sittings > MOST ||
      data.n_factors > MOST_FACTORS)
    return 2;
  for (size_t f = 0; f < data.n_factors; f++)
    if (scanf("%d", &n_levels[f]) != 1)
      return 2;
  for (size_t i = 0; i < data.n_sittings; i++) {
    for (size_t f = 0; f < data.n_factors; f++)
      if (scanf("%d", &levels[i * data.n_factors + f]) != 1)
        return 2;
    if (scanf("%lf", &means[i]) != 1)
      return 2;
    n_passes[i] = 1;
  }
  rb_arena *arena = rb_arena_new(0);
  rb_factor_fit fit;
  const rb_status status = rb_factor_fit_sittings(&data, arena, &fit);
  for (size_t k = 0; status == RB_OK && k < fit.n_effects; k++) {
    const rb_level_effect *e = &fit.effects[k];
    printf("%zu %d %d %.17g %.17g %.17g %.17g\n", e->factor, e->level, e->separable, e->effect,
           e->standard_error, e->interval[0], e->interval[1]);
  }
  rb_arena_free(arena);
  return status == RB_OK ? 0 : 1;
}
