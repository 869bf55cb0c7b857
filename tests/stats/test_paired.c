// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/stats/paired.h"

// Worked by hand: a − b = 1, b − c = 1, a − c = 3 do not agree; least squares with c at 0 gives
// 2a − b = 4 and 2b − a = 0, so a = 8/3, b = 4/3. Seen from a: 0, −4/3, −8/3.
static void three_comparisons_that_disagree_meet_in_the_middle(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_paired_score scores[] = {{0, 1, 1}, {1, 2, 1}, {0, 2, 3}};
  double values[3];
  size_t group[3];
  assert_int_equal(rb_paired_scale(scores, 3, 3, arena, values, group), RB_OK);
  assert_near(values[0], 0, 1e-12);
  assert_near(values[1], -4.0 / 3, 1e-12);
  assert_near(values[2], -8.0 / 3, 1e-12);
  rb_arena_free(arena);
}

static void repeated_comparisons_count_by_their_number(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_paired_score scores[] = {{1, 0, 1}, {1, 0, 3}, {0, 1, -2}, {1, 0, 2}};
  double values[2];
  size_t group[2];
  assert_int_equal(rb_paired_scale(scores, 4, 2, arena, values, group), RB_OK);
  assert_near(values[1], 2, 1e-12);
  rb_arena_free(arena);
}

static void what_was_never_compared_stays_apart(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_paired_score scores[] = {{4, 1, 2}, {3, 2, 1}};
  double values[6];
  size_t group[6];
  assert_int_equal(rb_paired_scale(scores, 2, 6, arena, values, group), RB_OK);
  const size_t expected[] = {6, 1, 2, 2, 1, 6};
  for (size_t i = 0; i < 6; i++)
    assert_int_equal(group[i], expected[i]);
  assert_near(values[4], 2, 1e-12);
  assert_near(values[3], 1, 1e-12);
  assert_near(values[0], 0, 0);
  rb_arena_free(arena);
}

static void numbers_out_of_range_are_refused(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  double values[2];
  size_t group[2];
  const rb_paired_score outside = {2, 0, 1}, itself = {1, 1, 1};
  assert_int_equal(rb_paired_scale(&outside, 1, 2, arena, values, group), RB_BAD_ARG);
  assert_int_equal(rb_paired_scale(&itself, 1, 2, arena, values, group), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(three_comparisons_that_disagree_meet_in_the_middle),
      cmocka_unit_test(repeated_comparisons_count_by_their_number),
      cmocka_unit_test(what_was_never_compared_stays_apart),
      cmocka_unit_test(numbers_out_of_range_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
