// SPDX-License-Identifier: GPL-3.0-or-later
// Reads lines and answers each with one:
//   welch N_A N_B values …           estimate, standard error, df, p, interval
//   spearman N x … y …               rho, p greater, p two-sided
//   swap N {lineup time mean} …      estimate, its error, drift removed, drift-free variance and
//   df,
//                                    variance and df within line-ups
//   mains N {lineup time mean volts} … estimate, its error, df, slope
//   holm N p … weights …             adjusted
#include "rollbook/base/attributes.h"
#include "rollbook/stats/difference.h"
#include "rollbook/stats/holm.h"
#include "rollbook/stats/rank.h"
#include "rollbook/stats/sittings.h"

#include <stdio.h>
#include <string.h>

enum { MOST = 200 };

static bool read_values(double *values, size_t n)
{
  for (size_t i = 0; i < n; i++)
    if (scanf("%lf", &values[i]) != 1)
      return false;
  return true;
}

static rb_status welch(rb_arena *arena)
{
  (void)arena;
  size_t n_a = 0, n_b = 0;
  double values[2 * MOST];
  rb_difference d;
  if (scanf("%zu %zu", &n_a, &n_b) != 2 || n_a > MOST || n_b > MOST ||
      !read_values(values, n_a + n_b))
    return RB_FORMAT;
  const rb_status status = rb_difference_welch(values, n_a, values + n_a, n_b, &d);
  printf("%.17g %.17g %.17g %.17g %.17g %.17g\n", d.estimate, d.standard_error, d.df, d.p,
         d.interval[0], d.interval[1]);
  return status;
}

static rb_status spearman(rb_arena *arena)
{
  size_t n = 0;
  double values[2 * MOST];
  rb_spearman result;
  if (scanf("%zu", &n) != 1 || n > MOST || !read_values(values, 2 * n))
    return RB_FORMAT;
  const rb_status status = rb_spearman_test(values, values + n, n, NULL, 0, arena, &result);
  printf("%.17g %.17g %.17g\n", result.rho, result.p_greater, result.p_two_sided);
  return status;
}

// Sittings of one run: line-up, time, mean and, where there are four columns, the mains voltage.
static rb_status read_sittings(size_t n_columns, rb_sitting_mean *sittings, size_t *n)
{
  if (scanf("%zu", n) != 1 || *n > MOST)
    return RB_FORMAT;
  for (size_t i = 0; i < *n; i++) {
    double row[4] = {0};
    if (!read_values(row, n_columns))
      return RB_FORMAT;
    sittings[i] = (rb_sitting_mean){.lineup = (uint32_t)row[0],
                                    .time_s = row[1],
                                    .mean = row[2],
                                    .weight = 1,
                                    .covariate = row[3]};
  }
  return RB_OK;
}

static rb_status swap(rb_arena *arena)
{
  size_t n = 0;
  rb_sitting_mean sittings[MOST];
  double weights[MOST];
  bool shared = false, removed = false;
  rb_spread free_of_drift, within_lineups, none = {0};
  rb_status status = read_sittings(3, sittings, &n);
  if (status == RB_OK)
    status = rb_swap_weights(sittings, n, 0, 1, arena, weights, &shared, &removed);
  if (status == RB_OK)
    status = rb_spread_without_drift(sittings, n, arena, &free_of_drift);
  if (status == RB_OK)
    status = rb_spread_of_sittings(sittings, n, arena, &within_lineups);
  if (status != RB_OK)
    return status;
  rb_difference d = rb_swap_difference(sittings, n, weights, &free_of_drift, &none);
  printf("%.17g %.17g %d %.17g %.17g %.17g %.17g\n", d.estimate, d.standard_error, removed,
         free_of_drift.variance, free_of_drift.df, within_lineups.variance, within_lineups.df);
  return RB_OK;
}

static rb_status mains(rb_arena *arena)
{
  size_t n = 0;
  rb_sitting_mean sittings[MOST];
  double weights[MOST];
  bool shared = false, removed = false;
  rb_covariate_fit fit;
  rb_status status = read_sittings(4, sittings, &n);
  if (status == RB_OK)
    status = rb_swap_weights(sittings, n, 0, 1, arena, weights, &shared, &removed);
  if (status == RB_OK)
    status = rb_covariate_fit_sittings(sittings, n, arena, &fit);
  if (status != RB_OK)
    return status;
  rb_spread none = {0};
  rb_difference d = rb_swap_difference_covariate(sittings, n, weights, &fit, &none);
  printf("%.17g %.17g %.17g %.17g\n", d.estimate, d.standard_error, d.df, fit.slope);
  return RB_OK;
}

static rb_status holm(rb_arena *arena)
{
  size_t n = 0;
  double p[2 * MOST], adjusted[MOST];
  if (scanf("%zu", &n) != 1 || n > MOST || !read_values(p, 2 * n))
    return RB_FORMAT;
  const rb_status status = rb_holm(p, p + n, n, arena, adjusted);
  for (size_t i = 0; i < n; i++)
    printf("%.17g ", adjusted[i]);
  printf("\n");
  return status;
}

static const struct {
  const char *name;
  rb_status (*run)(rb_arena *arena);
} tasks[] = {
    {"welch", welch}, {"spearman", spearman}, {"swap", swap}, {"mains", mains}, {"holm", holm}};

int main(void)
{
  char name[16];
  rb_arena *arena = rb_arena_new(0);
  rb_status status = RB_OK;
  while (status == RB_OK && scanf("%15s", name) == 1) {
    status = RB_BAD_ARG;
    for (size_t i = 0; i < RB_LEN(tasks); i++)
      if (strcmp(tasks[i].name, name) == 0)
        status = tasks[i].run(arena);
  }
  rb_arena_free(arena);
  return status == RB_OK ? 0 : 1;
}
