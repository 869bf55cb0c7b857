// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/holm.h"

#include <gsl/gsl_sort.h>
#include <math.h>

rb_status rb_holm(const double *p, size_t n, rb_arena *arena, double *p_adjusted)
{
  rb_arena_mark mark = rb_arena_save(arena);
  size_t *order = rb_arena_alloc(arena, n, sizeof *order);
  if (!order)
    return RB_NO_MEM;
  gsl_sort_index(order, p, 1, n);
  double highest = 0;
  for (size_t rank = 0; rank < n; rank++) {
    highest = fmax(highest, p[order[rank]] * (double)(n - rank));
    p_adjusted[order[rank]] = fmin(highest, 1);
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}
