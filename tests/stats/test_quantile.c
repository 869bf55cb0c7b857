// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/stats/quantile.h"

#include <math.h>

// t(0.975) as printed in every table (Fisher & Yates), to its four decimals.
static void student_quantiles_are_those_of_the_tables(void **state)
{
  (void)state;
  static const double table[][2] = {{1, 12.7062}, {2, 4.3027}, {3, 3.1824},
                                    {5, 2.5706},  {9, 2.2622}, {20, 2.0860}};
  for (unsigned i = 0; i < sizeof table / sizeof *table; i++) {
    assert_near(rb_student_quantile(0.975, table[i][0]), table[i][1], 5e-5);
    assert_near(rb_student_p(table[i][1], table[i][0]), 0.05, 2e-5);
  }
  assert_near(rb_normal_quantile(0.975), 1.959963984540054, 1e-12);
}

static void nothing_is_known_without_degrees_of_freedom(void **state)
{
  (void)state;
  assert_true(isinf(rb_student_quantile(0.975, 0)));
  assert_near(rb_student_p(100, 0), 1, 0);
  assert_true(isinf(rb_student_quantile(0.975, -1)));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(student_quantiles_are_those_of_the_tables),
      cmocka_unit_test(nothing_is_known_without_degrees_of_freedom),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
