// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/judge/split.h"

#include <math.h>
#include <string.h>

static rb_split_point polar(double power_w, bool exchanged, double pct, double deg)
{
  return (rb_split_point){.power_w = power_w,
                          .exchanged = exchanged,
                          .real_pct = pct * cos(deg * RB_PI / 180),
                          .imag_pct = pct * sin(deg * RB_PI / 180),
                          .sd_pct = 1e-5};
}

// Half the difference and half the sum, worked by hand: before 3 % at 0°, exchanged 1 % at 0° is a
// pair of 1 % and a rest of 2 %; exchanged 1 % at 180° is a pair of 2 % and a rest of 1 %.
static void the_two_orders_give_pair_and_rest(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  const rb_split_point points[] = {polar(1, false, 3, 0), polar(1, true, 1, 0),
                                   polar(10, true, 1, 180), polar(10, false, 3, 0)};
  rb_split_level *levels = NULL;
  size_t n = 0;
  assert_int_equal(rb_split_pair(points, 4, arena, &levels, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  assert_near(levels[0].pair.pct, 1, 1e-12);
  assert_near(levels[0].rest.pct, 2, 1e-12);
  assert_near(levels[1].pair.pct, 2, 1e-12);
  assert_near(levels[1].rest.pct, 1, 1e-12);
  assert_near(levels[1].pair.deg, 0, 1e-9);
  assert_true(levels[0].pair.resolved && levels[0].rest.resolved);
}

// One pair's part of 0.2 % beside a rest of 0.17 % reads 0.37 % before and 0.03 % after: sizes
// alone would call the second order "balanced".
static void equal_sizes_at_different_angles_are_told_apart(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  const rb_split_point points[] = {polar(1, false, 0.37, 10), polar(1, true, 0.03, -170)};
  rb_split_level *levels = NULL;
  size_t n = 0;
  assert_int_equal(rb_split_pair(points, 2, arena, &levels, &n, NULL), RB_OK);
  assert_near(levels[0].pair.pct, 0.20, 1e-9);
  assert_near(levels[0].rest.pct, 0.17, 1e-9);
  assert_near(levels[0].pair.deg, 10, 1e-9);
}

static void a_level_with_one_order_is_refused_with_words(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  const rb_split_point points[] = {polar(1, false, 3, 0), polar(1, true, 1, 0),
                                   polar(5, false, 1, 0)};
  rb_split_level *levels = NULL;
  size_t n = 0;
  rb_err err = {0};
  assert_int_equal(rb_split_pair(points, 3, arena, &levels, &n, &err), RB_BAD_ARG);
  assert_non_null(strstr(err.message, "5 W"));
  assert_int_equal(rb_split_pair(points, 0, arena, &levels, &n, &err), RB_BAD_ARG);
}

static void intervals_hold_the_truth_as_often_as_they_say(void **state)
{
  (void)state;
  rb_arena *arena = scratch;
  rb_random random = rb_random_seeded(3);
  enum { RUNS = 4000 };
  int covered = 0;
  for (int run = 0; run < RUNS; run++) {
    rb_arena_mark mark = rb_arena_save(arena);
    rb_split_point points[6];
    for (int i = 0; i < 6; i++) {
      points[i] = polar(1, i >= 3, i >= 3 ? 0.02 : 0.38, 0);
      points[i].real_pct += 0.02 * rb_random_normal(&random);
      points[i].imag_pct += 0.02 * rb_random_normal(&random);
      points[i].sd_pct = 1e-4;
    }
    rb_split_level *levels = NULL;
    size_t n = 0;
    assert_int_equal(rb_split_pair(points, 6, arena, &levels, &n, NULL), RB_OK);
    covered += levels[0].pair.interval_pct[0] <= 0.18 && 0.18 <= levels[0].pair.interval_pct[1];
    rb_arena_rewind(arena, mark);
  }
  print_message("coverage %.4f\n", (double)covered / RUNS);
  assert_near((double)covered / RUNS, 0.95, 0.015);
}

static void strength_follows_from_a_known_sensitivity(void **state)
{
  (void)state;
  const rb_split_part pair = {.real_pct = -0.06, .imag_pct = 0, .pct = 0.06, .sd_pct = 0.001};
  const rb_split_sensitivity known = {.real_pct_per_pct = 0.012, .relative_pct = 5};
  const rb_split_strength strength = rb_split_strength_of(&pair, &known);
  assert_near(strength.push_over_pull_pct, -5, 1e-9);
  assert_true(strength.resolved);
  // √((0.001/0.012)² + (5·0.05)²)·1.96 = 0.5165
  assert_near(strength.interval_pct[1] - strength.push_over_pull_pct, 0.5165, 1e-3);
  assert_false(rb_split_strength_of(&pair, &(rb_split_sensitivity){0}).resolved);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_two_orders_give_pair_and_rest),
      cmocka_unit_test(equal_sizes_at_different_angles_are_told_apart),
      cmocka_unit_test(a_level_with_one_order_is_refused_with_words),
      cmocka_unit_test(intervals_hold_the_truth_as_often_as_they_say),
      cmocka_unit_test(strength_follows_from_a_known_sensitivity),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
