// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/robust.h"

#include <gsl/gsl_statistics_double.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <string.h>

// 1/Φ⁻¹(¾)
static const double sigma_per_deviation = 1.482602218505602;

rb_status rb_robust_of(const double *values, size_t n, rb_arena *arena, rb_robust *robust)
{
  if (n == 0)
    return RB_BAD_ARG;
  rb_arena_mark mark = rb_arena_save(arena);
  double *sorted = rb_arena_doubles(arena, n);
  if (!sorted)
    return RB_NO_MEM;
  memcpy(sorted, values, n * sizeof *sorted);
  gsl_sort(sorted, 1, n);
  robust->median = gsl_stats_median_from_sorted_data(sorted, 1, n);
  for (size_t i = 0; i < n; i++)
    sorted[i] = fabs(values[i] - robust->median);
  gsl_sort(sorted, 1, n);
  robust->sigma = sigma_per_deviation * gsl_stats_median_from_sorted_data(sorted, 1, n);
  rb_arena_rewind(arena, mark);
  return RB_OK;
}

double rb_robust_z(const rb_robust *robust, double value, double least_sigma)
{
  double sigma = fmax(robust->sigma, least_sigma);
  double off = value - robust->median;
  if (sigma > 0)
    return off / sigma;
  return off == 0 ? 0 : copysign(INFINITY, off);
}
