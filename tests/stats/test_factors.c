// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"

#include "rollbook/base/random.h"
#include "rollbook/stats/factors.h"

#include <math.h>
#include <string.h>

// A 2 × 2 factorial worked by hand, one pass a sitting, each combination twice:
//   A0B0 10, 12   A1B0 15, 17   A0B1 20, 22   A1B1 25, 31
// Effect of A1 = mean(15,17,25,31) − mean(10,12,20,22) = 22 − 16 = 6; of B1 = 24.5 − 13.5 = 11.
// Grand mean 19, fitted 10.5, 16.5, 21.5, 27.5: residuals −.5 1.5 −1.5 .5 −1.5 .5 −2.5 3.5,
// their squares sum to 26 on 8 − 3 = 5 degrees of freedom: s² = 5.2; standard error of either
// effect = √(s²·(1/4 + 1/4)) = √2.6; t(0.975, 5) = 2.570582 (printed tables: 2.571).
static const int factorial_levels[] = {0, 0, 0, 0, 1, 0, 1, 0, 0, 1, 0, 1, 1, 1, 1, 1};
static const double factorial_means[] = {10, 12, 15, 17, 20, 22, 25, 31};
static const int two_levels[] = {2, 2};
static const int one_pass[] = {1, 1, 1, 1, 1, 1, 1, 1};

static rb_factor_data factorial(void)
{
  return (rb_factor_data){.n_sittings = 8,
                          .n_factors = 2,
                          .n_levels = two_levels,
                          .levels = factorial_levels,
                          .sitting_mean = factorial_means,
                          .n_passes = one_pass};
}

static void a_factorial_worked_by_hand_comes_out(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  const rb_factor_data data = factorial();
  rb_factor_fit fit;
  assert_int_equal(rb_factor_fit_sittings(&data, arena, &fit), RB_OK);
  assert_int_equal(fit.n_effects, 4);
  assert_int_equal(fit.rank, 3);
  assert_near(fit.df, 5, 0);
  assert_near(fit.effects[1].effect, 6, 1e-9);
  assert_near(fit.effects[3].effect, 11, 1e-9);
  assert_near(fit.effects[1].standard_error, sqrt(2.6), 1e-9);
  assert_near(fit.effects[1].interval[1] - 6, 2.5705818356 * sqrt(2.6), 1e-6);
  // Sums of squares: A 8·3² = 72, B 8·5.5² = 242, residual 26, total 340.
  assert_near(fit.share[0], 72.0 / 340, 1e-9);
  assert_near(fit.share[1], 242.0 / 340, 1e-9);
  assert_near(fit.residual_share, 26.0 / 340, 1e-9);
  assert_near(fit.joint_share, 0, 1e-9);
}

static void two_tubes_always_changed_together_are_not_told_apart(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  static const int levels[] = {0, 0, 1, 1, 0, 0, 1, 1};
  static const double means[] = {1, 2, 1.1, 2.1};
  const rb_factor_data data = {.n_sittings = 4,
                               .n_factors = 2,
                               .n_levels = two_levels,
                               .levels = levels,
                               .sitting_mean = means,
                               .n_passes = one_pass};
  rb_factor_fit fit;
  assert_int_equal(rb_factor_fit_sittings(&data, arena, &fit), RB_OK);
  assert_false(fit.effects[1].separable);
  assert_int_equal(fit.effects[1].mixed_with, 2);
  assert_int_equal(fit.effects[3].mixed_with, 1);
  assert_near(fit.joint_share + fit.residual_share, 1, 1e-9);

  // The line-up that changes one tube alone is the one to measure next.
  static const int candidates[] = {0, 0, 1, 1, 1, 0};
  size_t chosen[1];
  assert_int_equal(rb_factor_next(&data, candidates, 3, 1, arena, chosen), 1);
  assert_int_equal(chosen[0], 2);
}

static void bad_levels_are_refused(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  rb_factor_data data = factorial();
  static const int wrong[] = {0, 2, 0, 0, 1, 0, 1, 0, 0, 1, 0, 1, 1, 1, 1, 1};
  data.levels = wrong;
  rb_factor_fit fit;
  assert_int_equal(rb_factor_fit_sittings(&data, arena, &fit), RB_BAD_ARG);
}

// Drawn sittings with unequal passes, spread between and within: 95 % intervals hold the truth.
static void intervals_cover_as_often_as_they_say(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  enum { RUNS = 2000, SITTINGS = 14 };
  rb_random random = rb_random_seeded(11);
  static const int n_levels[] = {3, 3, 2};
  static const double truth[3][3] = {{0, 0.4, -0.3}, {0, 0.1, 0.2}, {0, -0.5}};
  int covered = 0, judged = 0;
  for (int run = 0; run < RUNS; run++) {
    rb_arena_mark mark = rb_arena_save(arena);
    int levels[SITTINGS * 3], n_passes[SITTINGS];
    double means[SITTINGS], squares = 0;
    int within_df = 0;
    for (int i = 0; i < SITTINGS; i++) {
      double expected = 5;
      for (int f = 0; f < 3; f++) {
        levels[3 * i + f] =
            i < 3 ? i % n_levels[f] : (int)rb_random_below(&random, (uint64_t)n_levels[f]);
        expected += truth[f][levels[3 * i + f]];
      }
      n_passes[i] = 2 + (int)rb_random_below(&random, 4);
      const double sitting = expected + 0.1 * rb_random_normal(&random);
      double pass[8], sum = 0;
      for (int k = 0; k < n_passes[i]; k++)
        sum += pass[k] = sitting + 0.05 * rb_random_normal(&random);
      means[i] = sum / n_passes[i];
      for (int k = 0; k < n_passes[i]; k++)
        squares += (pass[k] - means[i]) * (pass[k] - means[i]);
      within_df += n_passes[i] - 1;
    }
    const rb_factor_data data = {.n_sittings = SITTINGS,
                                 .n_factors = 3,
                                 .n_levels = n_levels,
                                 .levels = levels,
                                 .sitting_mean = means,
                                 .n_passes = n_passes,
                                 .within_variance = squares / within_df,
                                 .within_df = within_df};
    rb_factor_fit fit;
    assert_int_equal(rb_factor_fit_sittings(&data, arena, &fit), RB_OK);
    for (size_t k = 0; k < fit.n_effects; k++) {
      const rb_level_effect *e = &fit.effects[k];
      if (e->level == 0 || !e->separable)
        continue;
      judged++;
      const double true_effect = truth[e->factor][e->level];
      covered += e->interval[0] <= true_effect && true_effect <= e->interval[1];
    }
    rb_arena_rewind(arena, mark);
  }
  const double share = (double)covered / judged;
  print_message("coverage %.4f of %d intervals\n", share, judged);
  assert_near(share, 0.95, 0.02);
}

static void more_sittings_are_needed_for_smaller_changes(void **state)
{
  (void)state;
  // σ = 1, δ = 1, power 0.8: the normal approximation gives 2·(1.96+0.84)² = 15.7, with Student
  // quantiles 17 in each group (Cohen 1988, table 2.4.1 prints 17 for d = 1, from memory).
  assert_int_equal(rb_sittings_needed(1, 0, 1, 1, 0.8), 17);
  assert_true(rb_sittings_needed(1, 0, 1, 0.5, 0.8) > 60);
  assert_int_equal(rb_sittings_needed(0.01, 0.1, 1000000, 1, 0.8), 2);
  assert_int_equal(rb_sittings_needed(1, 1, 1, 1e-6, 0.8), 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_factorial_worked_by_hand_comes_out),
      cmocka_unit_test(two_tubes_always_changed_together_are_not_told_apart),
      cmocka_unit_test(bad_levels_are_refused),
      cmocka_unit_test(intervals_cover_as_often_as_they_say),
      cmocka_unit_test(more_sittings_are_needed_for_smaller_changes),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
