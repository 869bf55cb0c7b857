// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/stats/chart.h"
#include "rollbook/stats/grouping.h"
#include "rollbook/stats/robust.h"

#include <math.h>

// ASTM Manual 7 and Montgomery, Introduction to Statistical Quality Control, appendix (from memory;
// integrated independently to the digits shown).
static void chart_constants_are_those_of_the_handbooks(void **state)
{
  (void)state;
  static const struct {
    unsigned n;
    double d2, a2, c4, a3, b4, b3;
  } known[] = {{2, 1.12838, 1.87997, .797885, 2.6587, 3.2665, 0},
               {3, 1.69257, 1.02333, .886227, 1.9544, 2.5682, 0},
               {4, 2.05875, .72860, .921318, 1.6281, 2.2660, 0},
               {5, 2.32593, .57682, .939986, 1.4273, 2.0890, 0},
               {6, 2.53441, .48325, .951533, 1.2871, 1.9696, .0304}};
  static const double d4[] = {3.26653, 2.57459, 2.28205, 2.11450};
  rb_chart_constants c;
  for (size_t i = 0; i < RB_LEN(known); i++) {
    assert_int_equal(rb_chart_constants_for(known[i].n, &c), RB_OK);
    assert_near(c.d2, known[i].d2, 6e-6);
    assert_near(c.a2, known[i].a2, 6e-6);
    assert_near(c.c4, known[i].c4, 6e-7);
    assert_near(c.a3, known[i].a3, 6e-5);
    assert_near(c.b4, known[i].b4, 6e-5);
    assert_near(c.b3, known[i].b3, 6e-5);
    if (i < RB_LEN(d4)) {
      assert_near(c.d4_limit, d4[i], 6e-6);
      assert_near(c.d3_limit, 0, 0);
    }
  }
  assert_int_equal(rb_chart_constants_for(1, &c), RB_BAD_ARG);
}

static void a_chart_of_single_values_uses_the_moving_range(void **state)
{
  (void)state;
  static const double values[] = {10, 11, 9, 10};
  double mean = 0, limits[2];
  assert_int_equal(rb_chart_individuals(values, 4, &mean, limits), RB_OK);
  assert_near(mean, 10, 1e-12);
  assert_near(limits[1] - mean, 2.65868 * (1 + 2 + 1) / 3, 1e-5);
}

// Worked series and limits at λ = 0.2, L = 3 (form of Lucas & Saccucci, Technometrics 32, 1990).
static void the_moving_average_and_its_limits_are_as_worked(void **state)
{
  (void)state;
  static const double x[] = {.3, -.2, 1.1, 1.5, .9, 1.6, 1.3};
  static const double z[] = {.06, .008, .2264, .48112, .564896, .771917, .877533};
  static const double limits[] = {.6, .768375, .858985, .912265, .944789};
  double averages[7];
  rb_ewma(x, 7, 0.2, 0, averages);
  for (size_t i = 0; i < 7; i++)
    assert_near(averages[i], z[i], 6e-7);
  for (size_t i = 0; i < 5; i++)
    assert_near(rb_ewma_limit(0.2, 3, 1, i + 1), limits[i], 6e-7);
  assert_near(rb_ewma_limit(0.2, 3, 1, 1000), 1, 1e-9);
}

// λ = 0.4, L = 3.054: 500 values on average before a false alarm, 14.3 after a shift of one σ
// (Lucas & Saccucci 1990).
static double run_length(double shift, rb_random *random)
{
  enum { RUNS = 1000 };
  double total = 0;
  for (int run = 0; run < RUNS; run++) {
    double average = 0;
    for (size_t i = 1;; i++) {
      double value = shift + rb_random_normal(random);
      rb_ewma(&value, 1, 0.4, average, &average);
      total += 1;
      if (fabs(average) > rb_ewma_limit(0.4, 3.054, 1, 1000000))
        break;
    }
  }
  return total / RUNS;
}

static void run_lengths_are_those_published(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(11);
  assert_near(run_length(0, &random), 500, 4 * 500 / sqrt(1000)); // nearly geometric: sd = mean
  assert_near(run_length(1, &random), 14.3, 4 * 14.3 / sqrt(1000));
}

// The outlier does not hide itself: its classical z is only 2.2093.
static void a_robust_z_is_not_masked_by_the_outlier(void **state)
{
  (void)state;
  static const double values[] = {10.1, 10.2, 9.9, 10.0, 10.3, 12.0, 9.8};
  rb_arena *arena = rb_arena_new(0);
  rb_robust robust;
  assert_int_equal(rb_robust_of(values, 7, arena, &robust), RB_OK);
  assert_near(robust.median, 10.1, 1e-12);
  assert_near(robust.sigma, .2 * 1.482602218505602, 1e-12);
  assert_near(rb_robust_z(&robust, 12.0, 0), 6.407653, 5e-7);
  static const double equal[] = {5, 5, 5, 7};
  assert_int_equal(rb_robust_of(equal, 4, arena, &robust), RB_OK);
  assert_near(robust.sigma, 0, 0);
  assert_near(rb_robust_z(&robust, 7, 0.5), 4, 1e-12);
  assert_true(isinf(rb_robust_z(&robust, 7, 0)));
  assert_int_equal(rb_robust_of(equal, 0, arena, &robust), RB_BAD_ARG);
  rb_arena_free(arena);
}

// Twelve made-up tubes: mA and mA/V; cost (ΔIa)² + (Δgm/0.2)².
static const double stock[12][2] = {{48.2, 10.8}, {51.0, 11.4}, {49.5, 11.0}, {50.4, 11.3},
                                    {46.9, 10.5}, {52.3, 11.6}, {48.0, 10.9}, {50.1, 11.1},
                                    {49.6, 11.2}, {47.1, 10.6}, {51.2, 11.3}, {52.0, 11.8}};

static void fill_costs(double *cost)
{
  for (int i = 0; i < 12; i++)
    for (int k = 0; k < 12; k++)
      cost[i * 12 + k] =
          pow(stock[i][0] - stock[k][0], 2) + pow((stock[i][1] - stock[k][1]) / 0.2, 2);
}

static void assert_together(const rb_grouping *grouping, const int *items, int n)
{
  for (int i = 1; i < n; i++)
    assert_int_equal(grouping->group_of[items[i]], grouping->group_of[items[0]]);
}

// The least of all 10 395 pairings is 3.46 (all looked at; the runner-up is 4.06, closest-first
// gives 5.52), and of all 5 775 quads 41.58.
static void groups_cost_the_least_of_all_ways(void **state)
{
  (void)state;
  double cost[144];
  fill_costs(cost);
  rb_arena *arena = rb_arena_new(0);
  rb_grouping grouping;
  assert_int_equal(rb_group(cost, 12, 2, arena, &grouping), RB_OK);
  assert_near(grouping.cost, 3.46, 1e-9);
  assert_true(grouping.is_least);
  static const int pairs[][2] = {{0, 6}, {1, 10}, {2, 7}, {3, 8}, {4, 9}, {5, 11}};
  for (size_t i = 0; i < 6; i++)
    assert_together(&grouping, pairs[i], 2);
  assert_int_equal(rb_group(cost, 12, 4, arena, &grouping), RB_OK);
  assert_near(grouping.cost, 41.58, 1e-9);
  static const int quads[][4] = {{0, 4, 6, 9}, {1, 5, 10, 11}, {2, 3, 7, 8}};
  for (size_t i = 0; i < 3; i++)
    assert_together(&grouping, quads[i], 4);
  assert_int_equal(rb_group(cost, 12, 1, arena, &grouping), RB_BAD_ARG);
  assert_int_equal(rb_group(cost, 12, 13, arena, &grouping), RB_BAD_ARG);
  rb_arena_free(arena);
}

// {10, 10.9, 11, 12, 12.1, 13.5}: least 3.3, closest-first 3.7; with 13.5 away one is left over.
static void what_does_not_fit_is_left_over(void **state)
{
  (void)state;
  static const double x[] = {10, 10.9, 11, 12, 12.1, 13.5};
  double cost[36];
  rb_arena *arena = rb_arena_new(0);
  rb_grouping grouping;
  for (int i = 0; i < 6; i++)
    for (int k = 0; k < 6; k++)
      cost[i * 6 + k] = fabs(x[i] - x[k]);
  assert_int_equal(rb_group(cost, 6, 2, arena, &grouping), RB_OK);
  assert_near(grouping.cost, 3.3 - 0.9 + 0.9, 1e-9);
  for (int i = 0; i < 5; i++)
    for (int k = 0; k < 5; k++)
      cost[i * 5 + k] = fabs(x[i] - x[k]);
  assert_int_equal(rb_group(cost, 5, 2, arena, &grouping), RB_OK);
  assert_near(grouping.cost, 0.2, 1e-9);
  assert_int_equal(grouping.n_groups, 2);
  assert_int_equal(grouping.group_of[0], 2); // left over
  rb_arena_free(arena);
}

// A stock of sixty in twenty-nine tight pairs far apart, and two odd ones: found by growing and
// exchanging.
static void a_large_stock_is_grouped_too(void **state)
{
  (void)state;
  enum { N = 60 };
  static double cost[N * N];
  rb_arena *arena = rb_arena_new(0);
  rb_grouping grouping;
  for (int i = 0; i < N; i++)
    for (int k = 0; k < N; k++)
      cost[i * N + k] = fabs(10.0 * (i / 2) + 0.1 * (i % 2) - 10.0 * (k / 2) - 0.1 * (k % 2));
  assert_int_equal(rb_group(cost, N, 2, arena, &grouping), RB_OK);
  assert_near(grouping.cost, 0.1 * N / 2, 1e-9);
  assert_false(grouping.is_least);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(chart_constants_are_those_of_the_handbooks),
      cmocka_unit_test(a_chart_of_single_values_uses_the_moving_range),
      cmocka_unit_test(the_moving_average_and_its_limits_are_as_worked),
      cmocka_unit_test(run_lengths_are_those_published),
      cmocka_unit_test(a_robust_z_is_not_masked_by_the_outlier),
      cmocka_unit_test(groups_cost_the_least_of_all_ways),
      cmocka_unit_test(what_does_not_fit_is_left_over),
      cmocka_unit_test(a_large_stock_is_grouped_too),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
