// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/rank.h"

#include "rollbook/base/error.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

enum { MOST_EXACT = 10 };

rb_status rb_ranks(const double *values, size_t n, rb_arena *arena, double *ranks)
{
  rb_arena_mark mark = rb_arena_save(arena);
  size_t *order = rb_arena_alloc(arena, n, sizeof *order);
  if (!order)
    return RB_NO_MEM;
  gsl_sort_index(order, values, 1, n);
  for (size_t first = 0, last = 0; first < n; first = last + 1) {
    for (last = first; last + 1 < n && values[order[last + 1]] == values[order[first]];)
      last++;
    for (size_t i = first; i <= last; i++)
      ranks[order[i]] = 1 + 0.5 * (double)(first + last);
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}

// Twice a rank is a whole number even with ties, so sums of products can be counted exactly.
static int twice(double rank)
{
  return (int)lround(2 * rank);
}

static double sum_of_products(const double *x, const double *y, size_t n)
{
  double sum = 0;
  for (size_t i = 0; i < n; i++)
    sum += 2 * x[i] * (2 * y[i]); // whole numbers, so exact
  return sum;
}

// Σ over any pairing has this mean over all permutations.
static double mean_of_products(size_t n)
{
  return (double)n * (double)(n + 1) * (double)(n + 1);
}

static double correlation(const double *x, const double *y, size_t n)
{
  double centre = mean_of_products(n);
  double xx = sum_of_products(x, x, n) - centre, yy = sum_of_products(y, y, n) - centre;
  return xx > 0 && yy > 0 ? (sum_of_products(x, y, n) - centre) / sqrt(xx * yy) : 0;
}

// How many permutations give each sum: partners of the first k of x are chosen as a set, so 2^n
// sets stand for n! permutations. `counts` is set × sum; the row of the full set is returned.
static const uint32_t *count_sums(const double *x, const double *y, size_t n, size_t n_sums,
                                  uint32_t *counts)
{
  counts[0] = 1;
  for (size_t set = 0; set + 1 < (size_t)1 << n; set++) {
    size_t k = (size_t)__builtin_popcountll(set);
    const uint32_t *from = counts + set * n_sums;
    for (size_t partner = 0; partner < n; partner++) {
      if (set >> partner & 1)
        continue;
      size_t step = (size_t)twice(x[k]) * (size_t)twice(y[partner]);
      uint32_t *to = counts + (set | (size_t)1 << partner) * n_sums;
      for (size_t sum = 0; sum + step < n_sums; sum++)
        to[sum + step] += from[sum];
    }
  }
  return counts + (((size_t)1 << n) - 1) * n_sums;
}

static rb_status count_exactly(const double *x, const double *y, size_t n, rb_arena *arena,
                               rb_spearman *result)
{
  size_t n_sums = (size_t)fmax(sum_of_products(x, x, n), sum_of_products(y, y, n)) + 1;
  uint32_t *counts = rb_arena_alloc(arena, ((size_t)1 << n) * n_sums, sizeof *counts);
  if (!counts)
    return RB_NO_MEM;
  const uint32_t *all = count_sums(x, y, n, n_sums, counts);
  double seen = sum_of_products(x, y, n), centre = mean_of_products(n);
  double total = 0, greater = 0, two_sided = 0;
  for (size_t sum = 0; sum < n_sums; sum++) {
    total += all[sum];
    greater += (double)sum >= seen ? all[sum] : 0;
    two_sided += fabs((double)sum - centre) >= fabs(seen - centre) ? all[sum] : 0;
  }
  result->p_greater = greater / total;
  result->p_two_sided = two_sided / total;
  result->exact = true;
  return RB_OK;
}

static void draw(const double *x, double *y, size_t n, rb_random *random, size_t n_draws,
                 rb_spearman *result)
{
  double seen = sum_of_products(x, y, n), centre = mean_of_products(n);
  double greater = 0, two_sided = 0;
  for (size_t i = 0; i < n_draws; i++) {
    for (size_t k = n - 1; k > 0; k--) { // Fisher & Yates's shuffle
      size_t other = (size_t)rb_random_below(random, k + 1);
      double moved = y[k];
      y[k] = y[other];
      y[other] = moved;
    }
    double sum = sum_of_products(x, y, n);
    greater += sum >= seen;
    two_sided += fabs(sum - centre) >= fabs(seen - centre);
  }
  result->p_greater = (greater + 1) / ((double)n_draws + 1);
  result->p_two_sided = (two_sided + 1) / ((double)n_draws + 1);
}

rb_status rb_spearman_test(const double *x, const double *y, size_t n, rb_random *random,
                           size_t n_draws, rb_arena *arena, rb_spearman *result)
{
  if (n < 3)
    return RB_BAD_ARG;
  rb_arena_mark mark = rb_arena_save(arena);
  double *ranks_x = rb_arena_doubles(arena, n), *ranks_y = rb_arena_doubles(arena, n);
  if (!ranks_x || !ranks_y)
    return RB_NO_MEM;
  RB_TRY(rb_ranks(x, n, arena, ranks_x));
  RB_TRY(rb_ranks(y, n, arena, ranks_y));
  *result = (rb_spearman){.rho = correlation(ranks_x, ranks_y, n)};
  rb_status status = RB_OK;
  if (n <= MOST_EXACT)
    status = count_exactly(ranks_x, ranks_y, n, arena, result);
  else
    draw(ranks_x, ranks_y, n, random, n_draws, result);
  rb_arena_rewind(arena, mark);
  return status;
}
