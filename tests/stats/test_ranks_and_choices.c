// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/stats/bootstrap.h"
#include "rollbook/stats/forced_choice.h"
#include "rollbook/stats/rank.h"

#include <math.h>
#include <string.h>

// Exact one-sided tail of Spearman's ρ without ties: permutations with Σd² ≤ D of n! (full
// enumeration; the same counts as in Kendall & Gibbons, Rank Correlation Methods, appendix table,
// from memory).
static void spearman_counts_permutations_exactly(void **state)
{
  (void)state;
  static const struct {
    size_t n;
    double y[8]; // against 1, 2, 3 …
    double rho, one_sided;
  } known[] = {
      {4, {1, 2, 3, 4}, 1, 1.0 / 24},
      {5, {1, 2, 3, 4, 5}, 1, 1.0 / 120},
      {5, {2, 1, 3, 4, 5}, 0.9, 5.0 / 120},
      {6, {2, 1, 3, 4, 5, 6}, 0.942857142857, 6.0 / 720},
      {6, {2, 1, 4, 3, 5, 6}, 0.885714285714, 12.0 / 720},
      {6, {3, 2, 1, 4, 5, 6}, 0.771428571429, 37.0 / 720},
      {6, {3, 1, 2, 4, 5, 6}, 0.828571428571, 21.0 / 720},
      {7, {3, 2, 1, 5, 4, 7, 6}, 0.785714285714, 121.0 / 5040},
      {7, {3, 2, 1, 6, 5, 4, 7}, 0.714285714286, 222.0 / 5040},
      {8, {4, 2, 3, 1, 6, 5, 8, 7}, 0.738095238095, 924.0 / 40320},
      {8, {4, 3, 2, 1, 6, 8, 5, 7}, 0.642857142857, 1939.0 / 40320},
  };
  rb_arena *arena = rb_arena_new(0);
  static const double x[] = {1, 2, 3, 4, 5, 6, 7, 8};
  for (size_t i = 0; i < RB_LEN(known); i++) {
    rb_spearman result;
    assert_int_equal(rb_spearman_test(x, known[i].y, known[i].n, NULL, 0, arena, &result), RB_OK);
    assert_true(result.exact);
    assert_near(result.rho, known[i].rho, 1e-11);
    assert_near(result.p_greater, known[i].one_sided, 1e-8);
    assert_near(result.p_two_sided, 2 * known[i].one_sided, 2e-8);
  }
  rb_arena_free(arena);
}

// Where the approximation by Student's t says 0.0416, the exact two-sided p is 0.0583.
static void the_known_trap_is_not_fallen_into(void **state)
{
  (void)state;
  static const double x[] = {1, 2, 3, 4, 5, 6}, y[] = {3, 1, 2, 4, 5, 6};
  rb_arena *arena = rb_arena_new(0);
  rb_spearman result;
  assert_int_equal(rb_spearman_test(x, y, 6, NULL, 0, arena, &result), RB_OK);
  assert_near(result.p_two_sided, 42.0 / 720, 1e-12);
  assert_true(result.p_two_sided > 0.05);
  rb_arena_free(arena);
}

static double brute_force_p(const double *x, double *y, size_t n, size_t k, double centre,
                            double seen, double *total)
{
  if (k == n) {
    double sum = 0;
    for (size_t i = 0; i < n; i++)
      sum += x[i] * y[i];
    *total += 1;
    return fabs(sum - centre) >= fabs(seen - centre) - 1e-9;
  }
  double hits = 0;
  for (size_t i = k; i < n; i++) {
    double moved = y[k];
    y[k] = y[i], y[i] = moved;
    hits += brute_force_p(x, y, n, k + 1, centre, seen, total);
    moved = y[k];
    y[k] = y[i], y[i] = moved;
  }
  return hits;
}

static void ties_are_counted_exactly_too(void **state)
{
  (void)state;
  static const double x[] = {1, 2, 2, 2, 5, 7, 7}, y[] = {-1, 0, 0, 2, 1, 1, 3};
  double ranks_x[7], ranks_y[7], seen = 0, total = 0;
  rb_arena *arena = rb_arena_new(0);
  rb_spearman result;
  assert_int_equal(rb_spearman_test(x, y, 7, NULL, 0, arena, &result), RB_OK);
  assert_int_equal(rb_ranks(x, 7, arena, ranks_x), RB_OK);
  assert_int_equal(rb_ranks(y, 7, arena, ranks_y), RB_OK);
  assert_near(ranks_x[1], 3, 0); // 2, 3 and 4 share their mean
  for (int i = 0; i < 7; i++)
    seen += ranks_x[i] * ranks_y[i];
  double hits = brute_force_p(ranks_x, ranks_y, 7, 0, 7 * 16, seen, &total);
  assert_near(total, 5040, 0);
  assert_near(result.p_two_sided, hits / total, 1e-12);
  rb_arena_free(arena);
}

static void above_ten_permutations_are_drawn(void **state)
{
  (void)state;
  double x[12], y[12];
  for (int i = 0; i < 12; i++)
    x[i] = i, y[i] = (i * 5) % 12;
  rb_arena *arena = rb_arena_new(0);
  rb_random random = rb_random_seeded(1);
  rb_spearman drawn;
  assert_int_equal(rb_spearman_test(x, y, 12, &random, 20000, arena, &drawn), RB_OK);
  assert_false(drawn.exact);
  // Student's approximation is good enough here for ρ near 0: t = ρ√(10/(1−ρ²)).
  double t = drawn.rho * sqrt(10 / (1 - drawn.rho * drawn.rho));
  assert_near(t, 0.6757, 0.5);
  assert_true(drawn.p_two_sided > 0.3 && drawn.p_two_sided < 0.9);
  static const double flat[] = {1, 1, 1};
  assert_int_equal(rb_spearman_test(flat, x, 3, NULL, 0, arena, &drawn), RB_OK);
  assert_near(drawn.rho, 0, 0);
  assert_near(drawn.p_two_sided, 1, 0);
  assert_int_equal(rb_spearman_test(x, y, 2, NULL, 0, arena, &drawn), RB_BAD_ARG);
  rb_arena_free(arena);
}

// Exact binomial sums, P(X ≥ k | n, ½): whole numerators over 2ⁿ.
static void guessing_has_the_exact_binomial_tail(void **state)
{
  (void)state;
  static const struct {
    unsigned right, trials;
    double p;
  } known[] = {{5, 5, .03125},        {7, 8, .03515625},     {9, 10, .0107421875},
               {8, 10, .0546875},     {10, 12, .0192871},    {12, 15, .0175781},
               {12, 16, .0384063721}, {13, 16, .0106353760}, {15, 20, .0206947327},
               {18, 25, .0216426253}, {20, 30, .0493685736}, {32, 50, .0324543},
               {59, 100, .0443130}};
  for (size_t i = 0; i < RB_LEN(known); i++)
    assert_near(rb_forced_choice_p(known[i].right, known[i].trials, 0.5), known[i].p, 6e-8);
  assert_near(rb_forced_choice_p(0, 10, 0.5), 1, 0);
}

static void the_number_needed_and_the_power_are_those_tabulated(void **state)
{
  (void)state;
  static const unsigned needed[][3] = {{10, 9, 10},  {12, 10, 11}, {16, 12, 14}, {20, 15, 16},
                                       {25, 18, 19}, {30, 20, 22}, {50, 32, 34}, {100, 59, 63}};
  for (size_t i = 0; i < RB_LEN(needed); i++) {
    assert_int_equal(rb_forced_choice_needed(needed[i][0], 0.5, 0.05), needed[i][1]);
    assert_int_equal(rb_forced_choice_needed(needed[i][0], 0.5, 0.01), needed[i][2]);
  }
  assert_int_equal(rb_forced_choice_needed(3, 0.5, 0.05), 4);
  assert_near(rb_forced_choice_power(16, 0.5, 0.7, 0.05), .4499, 5e-5);
  assert_near(rb_forced_choice_power(16, 0.5, 0.8, 0.05), .7982, 5e-5);
  assert_near(rb_forced_choice_power(16, 0.5, 0.9, 0.05), .9830, 5e-5);
  // 16 trials miss a listener who is right six times of ten with probability 0.83 (Leventhal,
  // J. Audio Eng. Soc. 33, 1985).
  assert_near(1 - rb_forced_choice_power(16, 0.5, 0.6, 0.05), 0.83, 0.005);
  static const double first[][3] = {
      {.6, 158, 213}, {.7, 37, 53}, {.75, 23, 33}, {.8, 18, 23}, {.9, 8, 11}};
  for (size_t i = 0; i < RB_LEN(first); i++) {
    assert_int_equal(rb_forced_choice_trials(0.5, first[i][0], 0.05, 0.8), (int)first[i][1]);
    assert_int_equal(rb_forced_choice_trials(0.5, first[i][0], 0.05, 0.9), (int)first[i][2]);
  }
}

static void clopper_and_pearson_s_interval_is_theirs(void **state)
{
  (void)state;
  double interval[2];
  rb_forced_choice_interval(12, 16, 0.95, interval);
  assert_near(interval[0], .476229, 5e-7);
  assert_near(interval[1], .927338, 5e-7);
  rb_forced_choice_interval(9, 10, 0.95, interval);
  assert_near(interval[0], .554984, 5e-7);
  assert_near(interval[1], .997471, 5e-7);
  rb_forced_choice_interval(10, 10, 0.95, interval);
  assert_near(interval[0], pow(0.025, 0.1), 1e-9); // closed form where all are right
  assert_near(interval[1], 1, 0);
}

static double mean_of(void *payload, const size_t *positions, size_t n)
{
  const double *values = payload;
  double sum = 0;
  for (size_t i = 0; i < n; i++)
    sum += values[positions[i]];
  return sum / (double)n;
}

// For a mean the percentile interval tends to mean ± 1.96·σ/√n (central limit theorem).
static void a_bootstrap_interval_of_a_mean_is_nearly_normal(void **state)
{
  (void)state;
  double values[200], sum = 0, squares = 0, interval[2];
  rb_random random = rb_random_seeded(5);
  for (int i = 0; i < 200; i++) {
    values[i] = rb_random_normal(&random);
    sum += values[i];
    squares += values[i] * values[i];
  }
  double mean = sum / 200, error = sqrt((squares / 200 - mean * mean) / 200);
  rb_arena *arena = rb_arena_new(0);
  rb_bootstrap bootstrap = {.statistic = mean_of, .payload = values, .n = 200, .n_draws = 4000};
  assert_int_equal(rb_bootstrap_interval(&bootstrap, &random, arena, interval), RB_OK);
  assert_near(interval[0], mean - 1.96 * error, 0.1 * error);
  assert_near(interval[1], mean + 1.96 * error, 0.1 * error);
  bootstrap.n = 1;
  assert_int_equal(rb_bootstrap_interval(&bootstrap, &random, arena, interval), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(spearman_counts_permutations_exactly),
      cmocka_unit_test(the_known_trap_is_not_fallen_into),
      cmocka_unit_test(ties_are_counted_exactly_too),
      cmocka_unit_test(above_ten_permutations_are_drawn),
      cmocka_unit_test(guessing_has_the_exact_binomial_tail),
      cmocka_unit_test(the_number_needed_and_the_power_are_those_tabulated),
      cmocka_unit_test(clopper_and_pearson_s_interval_is_theirs),
      cmocka_unit_test(a_bootstrap_interval_of_a_mean_is_nearly_normal),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
