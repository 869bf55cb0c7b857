// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "../../src/plot/axis.h"

#include <string.h>

static void check_labels(const rb_axis *axis, double length, double room, const char *expected)
{
  tick ticks[MOST_TICKS];
  char text[512] = "";
  size_t n = axis_ticks(axis, length, room, ticks);
  for (size_t i = 0; i < n; i++) {
    strcat(text, i ? " " : "");
    strcat(text, ticks[i].label);
  }
  assert_string_equal(text, expected);
}

static void the_frequency_axis_has_its_ten_labels(void **state)
{
  (void)state;
  rb_axis axis = rb_axis_frequency();
  check_labels(&axis, 320, 30, "20 50 100 200 500 1k 2k 5k 10k 20k");
  assert_near(axis_place(&axis, 20), 0, 1e-12);
  assert_near(axis_place(&axis, 20000), 1, 1e-12);
  assert_near(axis_place(&axis, 632.4555320336759), 0.5, 1e-12); // the geometric mean
}

static void a_crowded_frequency_axis_keeps_decades_only(void **state)
{
  (void)state;
  rb_axis axis = rb_axis_frequency();
  check_labels(&axis, 150, 30, "100 1k 10k");
}

static void linear_labels_are_ones_twos_and_fives(void **state)
{
  (void)state;
  const struct {
    double low, high, length, room;
    bool signs;
    const char *labels;
  } cases[] = {
      {-140, -40, 200, 24, false, "−140 −120 −100 −80 −60 −40"},
      {-3, 3, 200, 24, true, "−3 −2 −1 0 +1 +2 +3"},
      {-0.4, 0.4, 200, 24, true, "−0.4 −0.3 −0.2 −0.1 0 +0.1 +0.2 +0.3 +0.4"},
      {0, 0.05, 200, 40, false, "0 0.01 0.02 0.03 0.04 0.05"},
      {0, 1, 200, 100, false, "0 0.5 1.0"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_axis axis = {.low = cases[i].low, .high = cases[i].high, .signs = cases[i].signs};
    check_labels(&axis, cases[i].length, cases[i].room, cases[i].labels);
  }
}

static void decades_end_at_ones_and_threes(void **state)
{
  (void)state;
  const struct {
    double low, high, bottom, top;
  } cases[] = {{0.06, 47, 0.03, 100}, {0.1, 10, 0.1, 10}, {0.35, 2.9, 0.3, 3}, {1, 1, 1, 3}};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_axis axis = rb_axis_decades(cases[i].low, cases[i].high, "x");
    assert_near_relative(axis.low, cases[i].bottom, 1e-9);
    assert_near_relative(axis.high, cases[i].top, 1e-9);
  }
}

static void an_axis_around_data_holds_it_between_round_ends(void **state)
{
  (void)state;
  for (double low = -170; low < 0; low += 7.3)
    for (double width = 0.001; width < 200; width *= 3.7) {
      rb_axis axis = rb_axis_around(low, low + width, 0, "x");
      double step = rb_round_step((axis.high - axis.low) / 8);
      assert_at_most(axis.low, low + 1e-9);
      assert_at_most(low + width, axis.high + 1e-9);
      assert_at_most(axis.high - axis.low, 2 * width + 2 * step);
    }
  rb_axis axis = rb_axis_around(-0.1, 0.1, 6, "x");
  assert_near(axis.low, -3, 1e-9);
  assert_near(axis.high, 3, 1e-9);
}

static void a_round_step_is_the_next_of_one_two_five(void **state)
{
  (void)state;
  const double cases[][2] = {{1, 1}, {1.01, 2}, {2.5, 5}, {5.1, 10}, {0.031, 0.05}, {70, 100}};
  for (size_t i = 0; i < RB_LEN(cases); i++)
    assert_near_relative(rb_round_step(cases[i][0]), cases[i][1], 1e-9);
}

static void named_axes_show_their_names(void **state)
{
  (void)state;
  const char *const names[] = {"H2", "H3"};
  rb_axis axis = {.kind = RB_AXIS_NAMED, .low = 0.5, .high = 2.5, .names = names, .n_names = 2};
  check_labels(&axis, 100, 30, "H2 H3");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_frequency_axis_has_its_ten_labels),
      cmocka_unit_test(a_crowded_frequency_axis_keeps_decades_only),
      cmocka_unit_test(linear_labels_are_ones_twos_and_fives),
      cmocka_unit_test(decades_end_at_ones_and_threes),
      cmocka_unit_test(an_axis_around_data_holds_it_between_round_ends),
      cmocka_unit_test(a_round_step_is_the_next_of_one_two_five),
      cmocka_unit_test(named_axes_show_their_names),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
