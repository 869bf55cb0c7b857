// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/bootstrap.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

rb_status rb_bootstrap_interval(const rb_bootstrap *bootstrap, rb_random *random, rb_arena *arena,
                                double interval[2])
{
  if (bootstrap->n < 2 || bootstrap->n_draws < 100)
    return RB_BAD_ARG;
  rb_arena_mark mark = rb_arena_save(arena);
  size_t *positions = rb_arena_alloc(arena, bootstrap->n, sizeof *positions);
  double *drawn = rb_arena_doubles(arena, bootstrap->n_draws);
  if (!positions || !drawn)
    return RB_NO_MEM;
  size_t kept = 0;
  for (size_t i = 0; i < bootstrap->n_draws; i++) {
    for (size_t k = 0; k < bootstrap->n; k++)
      positions[k] = (size_t)rb_random_below(random, bootstrap->n);
    double value = bootstrap->statistic(bootstrap->payload, positions, bootstrap->n);
    if (isfinite(value))
      drawn[kept++] = value;
  }
  if (kept * 2 < bootstrap->n_draws) {
    rb_arena_rewind(arena, mark);
    return RB_NO_CONVERGENCE;
  }
  gsl_sort(drawn, 1, kept);
  interval[0] = gsl_stats_quantile_from_sorted_data(drawn, 1, kept, 0.025);
  interval[1] = gsl_stats_quantile_from_sorted_data(drawn, 1, kept, 0.975);
  rb_arena_rewind(arena, mark);
  return RB_OK;
}
