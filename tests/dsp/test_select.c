// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/dsp/select.h"

#include <math.h>

static void the_smallest_come_first_and_none_is_lost(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(1);
  double values[40];
  for (int round = 0; round < 20000; round++) {
    const size_t n = 1 + rb_random_below(&random, 40), k = rb_random_below(&random, n + 1);
    const uint64_t kinds = 1 + rb_random_below(&random, 12); // few kinds: many are equal
    double sum = 0, after = 0, largest_front = -INFINITY, smallest_back = INFINITY;
    for (size_t i = 0; i < n; i++) {
      values[i] = (double)rb_random_below(&random, kinds);
      sum += values[i];
    }
    rb_smallest_first(values, n, k);
    for (size_t i = 0; i < n; i++) {
      after += values[i];
      if (i < k)
        largest_front = fmax(largest_front, values[i]);
      else
        smallest_back = fmin(smallest_back, values[i]);
    }
    assert_near(after, sum, 0);
    assert_true(largest_front <= smallest_back);
  }
}

static void the_median_stands_in_the_middle(void **state)
{
  (void)state;
  double one[] = {3}, odd[] = {5, 1, 4, 2, 3}, even[] = {4, 1, 3, 2};
  assert_near(rb_median(one, 1), 3, 0);
  assert_near(rb_median(odd, 5), 3, 0);
  assert_near(rb_median(even, 4), 3, 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_smallest_come_first_and_none_is_lost),
      cmocka_unit_test(the_median_stands_in_the_middle),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
