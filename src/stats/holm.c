// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/holm.h"

#include <gsl/gsl_sort.h>
#include <math.h>

static double weight_of(const double *weights, size_t i)
{
  return weights ? weights[i] : 1;
}

rb_status rb_holm(const double *p, const double *weights, size_t n, rb_arena *arena,
                  double *p_adjusted)
{
  rb_arena_mark mark = rb_arena_save(arena);
  size_t *order = rb_arena_alloc(arena, n, sizeof *order);
  double *shares = rb_arena_doubles(arena, n);
  if (!order || !shares)
    return RB_NO_MEM;
  double left = 0, highest = 0;
  for (size_t i = 0; i < n; i++) {
    shares[i] = p[i] / weight_of(weights, i);
    left += weight_of(weights, i);
  }
  gsl_sort_index(order, shares, 1, n);
  for (size_t rank = 0; rank < n; rank++) {
    size_t i = order[rank];
    highest = fmax(highest, shares[i] * left);
    p_adjusted[i] = fmin(highest, 1);
    left -= weight_of(weights, i);
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}
