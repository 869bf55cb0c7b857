// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/stats/difference.h"
#include "rollbook/stats/holm.h"
#include "rollbook/stats/quantile.h"
#include "rollbook/stats/sittings.h"

#include <math.h>
#include <string.h>

// Student's t, upper 2.5 % (any printed table of t; Fisher & Yates, Statistical Tables, table III).
static void student_quantiles_are_those_of_the_printed_tables(void **state)
{
  (void)state;
  static const double table[][2] = {{1, 12.7062}, {2, 4.3027}, {3, 3.1824}, {4, 2.7764},
                                    {5, 2.5706},  {9, 2.2622}, {20, 2.0860}};
  for (size_t i = 0; i < RB_LEN(table); i++)
    assert_near(rb_student_quantile(0.975, table[i][0]), table[i][1], 5e-5);
}

// Welch (1947); figures by SciPy 1.10 ttest_ind(equal_var=False), recomputed in the witness test.
static void welch_gives_the_published_interval_and_p(void **state)
{
  (void)state;
  static const double a[] = {20.1, 20.3, 19.8, 20.0, 20.2}, b[] = {21.0, 20.7, 21.4, 20.9};
  rb_difference d;
  assert_int_equal(rb_difference_welch(a, 5, b, 4, &d), RB_OK);
  assert_near(d.estimate, -0.92, 1e-12);
  assert_near(d.df, 4.964822, 1e-6);
  assert_near(d.p, 0.00301548, 1e-8);
  assert_near(d.interval[0], -1.359193, 1e-6);
  assert_near(d.interval[1], -0.480807, 1e-6);
  static const double c[] = {.0102, .0098, .0105, .0100, .0097, .0103};
  static const double e[] = {.0110, .0121, .0108, .0116};
  assert_int_equal(rb_difference_welch(c, 6, e, 4, &d), RB_OK);
  assert_near(d.df, 4.090485, 1e-6);
  assert_near(d.p, 0.01509072, 1e-8);
  assert_near(d.interval[0], -0.00217459, 1e-8);
  assert_int_equal(rb_difference_welch(a, 1, b, 4, &d), RB_BAD_ARG);
}

static void one_sample_gives_student_s_interval(void **state)
{
  (void)state;
  static const double values[] = {1.2, .9, 1.1, 1.4, .8};
  rb_difference d;
  assert_int_equal(rb_difference_one_sample(values, 5, &d), RB_OK);
  assert_near(d.estimate / d.standard_error, 10.115127, 1e-6);
  assert_near(d.interval[0], 0.783557, 1e-6);
  assert_near(d.interval[1], 1.376443, 1e-6);
}

// Holm (1979); the same by closed testing over all subsets.
static void holm_adjusts_as_published(void **state)
{
  (void)state;
  static const double p[] = {.010, .040, .030, .005}, expected[] = {.03, .06, .06, .02};
  double adjusted[4];
  rb_arena *arena = rb_arena_new(0);
  assert_int_equal(rb_holm(p, NULL, 4, arena, adjusted), RB_OK);
  for (int i = 0; i < 4; i++)
    assert_near(adjusted[i], expected[i], 1e-15);
  // By hand: p/weight .02, .01, .06; first .01·(.5+4+.5) = .05, then .02·1 → .05, then .06·.5 →
  // .05.
  static const double unequal[] = {.01, .04, .03}, weights[] = {.5, 4, .5};
  assert_int_equal(rb_holm(unequal, weights, 3, arena, adjusted), RB_OK);
  for (int i = 0; i < 3; i++)
    assert_near(adjusted[i], .05, 1e-15);
  static const double large[] = {0.9, 0.8};
  assert_int_equal(rb_holm(large, NULL, 2, arena, adjusted), RB_OK);
  assert_near(adjusted[0], 1, 0);
  assert_int_equal(rb_holm(NULL, NULL, 0, arena, NULL), RB_OK);
  rb_arena_free(arena);
}

enum { MOST = 16 };

static size_t lay_out(const char *order, rb_sitting_mean *sittings)
{
  size_t n = strlen(order);
  for (size_t i = 0; i < n; i++)
    sittings[i] = (rb_sitting_mean){
        .lineup = order[i] == 'B', .time_s = 3600.0 * (double)i, .mean = 0, .weight = 3};
  return n;
}

// Variances of the best contrasts free of linear drift, in units of one sitting's variance
// (standard designs of weighing; NIST/SEMATECH e-Handbook, 2.3.4, drift-eliminating designs).
static void weights_are_the_best_ones_free_of_linear_drift(void **state)
{
  (void)state;
  static const struct {
    const char *order;
    double variance;
    double weights[5];
  } known[] = {
      {"ABA", 1.5, {-0.5, 1, -0.5}},
      {"ABBA", 1.0, {-0.5, 0.5, 0.5, -0.5}},
      {"ABABA", 0.833333333333, {-1.0 / 3, 0.5, -1.0 / 3, 0.5, -1.0 / 3}},
      {"ABAABA", 0.75, {-0.25, 0.5, -0.25, -0.25, 0.5}},
      {"ABBABAAB", 0.5, {-0.25, 0.25, 0.25, -0.25, 0.25}},
  };
  rb_arena *arena = rb_arena_new(0);
  for (size_t k = 0; k < RB_LEN(known); k++) {
    rb_sitting_mean sittings[MOST];
    double weights[MOST], variance = 0, drift = 0, sum_b = 0, sum = 0;
    bool shared = false, removed = false;
    size_t n = lay_out(known[k].order, sittings);
    assert_int_equal(rb_swap_weights(sittings, n, 0, 1, arena, weights, &shared, &removed), RB_OK);
    assert_true(shared && removed);
    for (size_t i = 0; i < n; i++) {
      variance += weights[i] * weights[i];
      drift += weights[i] * sittings[i].time_s;
      sum += weights[i];
      sum_b += sittings[i].lineup ? weights[i] : 0;
      if (i < 5)
        assert_near(weights[i], known[k].weights[i], 1e-12);
    }
    assert_near(variance, known[k].variance, 1e-10);
    assert_near(drift, 0, 1e-9);
    assert_near(sum, 0, 1e-12);
    assert_near(sum_b, 1, 1e-12);
  }
  rb_arena_free(arena);
}

static void a_drift_is_left_alone_where_taking_it_out_costs_too_much(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  static const char *const orders[] = {"AAB", "AB", "AABB", "ABB"};
  for (size_t k = 0; k < RB_LEN(orders); k++) {
    rb_sitting_mean sittings[MOST];
    double weights[MOST];
    bool shared = false, removed = true;
    size_t n = lay_out(orders[k], sittings);
    assert_int_equal(rb_swap_weights(sittings, n, 0, 1, arena, weights, &shared, &removed), RB_OK);
    assert_false(removed);
  }
  rb_sitting_mean alone[] = {{.lineup = 0, .weight = 1}, {.lineup = 0, .weight = 1}};
  double weights[2];
  bool shared = false, removed = false;
  assert_int_equal(rb_swap_weights(alone, 2, 0, 1, arena, weights, &shared, &removed), RB_BAD_ARG);
  rb_arena_free(arena);
}

// 100.00, 101.30, 100.40 in the order A B A: B − A is +1.10.
static void a_b_a_takes_the_drift_out_of_the_worked_example(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_sitting_mean sittings[MOST];
  double weights[MOST];
  bool shared = false, removed = false;
  size_t n = lay_out("ABA", sittings);
  sittings[0].mean = 100.00;
  sittings[1].mean = 101.30;
  sittings[2].mean = 100.40;
  assert_int_equal(rb_swap_weights(sittings, n, 0, 1, arena, weights, &shared, &removed), RB_OK);
  rb_spread between = {.variance = 0.01, .df = 9, .weight = 3}, within = {0};
  rb_difference d = rb_swap_difference(sittings, n, weights, &between, &within);
  assert_near(d.estimate, 1.10, 1e-12);
  assert_near(d.standard_error, 0.1 * sqrt(1.5), 1e-12);
  assert_near(d.interval[1] - d.estimate, 2.2622 * 0.1 * sqrt(1.5), 1e-5);
  rb_arena_free(arena);
}

// Snedecor & Cochran's formula for unequal numbers of passes, worked by hand: sittings of 4 passes
// pooled, one sitting of 1 pass: variance = 1.5·0.04 + (1 + 0.25/4 + 0.25/4 − 1.5/4)·0.08.
static void fewer_passes_than_usual_widen_the_interval(void **state)
{
  (void)state;
  rb_sitting_mean sittings[MOST];
  static const double weights[] = {-0.5, 1, -0.5};
  lay_out("ABA", sittings);
  sittings[0].weight = sittings[2].weight = 4;
  sittings[1].weight = 1;
  rb_spread between = {.variance = 0.04, .df = 10, .weight = 4};
  rb_spread within = {.variance = 0.08, .df = 30, .weight = 0};
  rb_difference d = rb_swap_difference(sittings, 3, weights, &between, &within);
  double first = 1.5 * 0.04, second = (1 + 0.125 - 0.375) * 0.08;
  assert_near(d.standard_error, sqrt(first + second), 1e-12);
  // Satterthwaite (1946).
  assert_near(d.df, pow(first + second, 2) / (first * first / 10 + second * second / 30), 1e-9);
}

static void spreads_pool_within_lineups_and_without_drift(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  // Line-up 0 at 1, 3; line-up 1 at 10, 12, 14: sums of squares 2 and 8, three degrees of freedom.
  rb_sitting_mean sittings[] = {{0, 0, 0, 1, 2, 0},
                                {1, 0, 1, 10, 2, 0},
                                {0, 0, 2, 3, 2, 0},
                                {1, 0, 3, 12, 2, 0},
                                {1, 0, 4, 14, 4, 0}};
  rb_spread spread;
  assert_int_equal(rb_spread_of_sittings(sittings, 5, arena, &spread), RB_OK);
  assert_near(spread.variance, 10.0 / 3, 1e-12);
  assert_near(spread.df, 3, 0);
  assert_near(spread.weight, 5 / (4 * 0.5 + 0.25), 1e-12);
  // Both line-ups rise by 1 a second (line-up 1: 10, 12, 14 at 1, 3, 4 nearly so). Least squares
  // by hand: deviations of time −1 1 | −5/3 1/3 4/3, of value −1 1 | −2 0 2; tt = 2 + 42/9,
  // ty = 2 + 6, yy = 2 + 8.
  assert_int_equal(rb_spread_without_drift(sittings, 5, arena, &spread), RB_OK);
  assert_near(spread.df, 2, 0);
  assert_near(spread.variance, (10 - 64 / (2 + 42.0 / 9)) / 2, 1e-12);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(student_quantiles_are_those_of_the_printed_tables),
      cmocka_unit_test(welch_gives_the_published_interval_and_p),
      cmocka_unit_test(one_sample_gives_student_s_interval),
      cmocka_unit_test(holm_adjusts_as_published),
      cmocka_unit_test(weights_are_the_best_ones_free_of_linear_drift),
      cmocka_unit_test(a_drift_is_left_alone_where_taking_it_out_costs_too_much),
      cmocka_unit_test(a_b_a_takes_the_drift_out_of_the_worked_example),
      cmocka_unit_test(fewer_passes_than_usual_widen_the_interval),
      cmocka_unit_test(spreads_pool_within_lineups_and_without_drift),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
