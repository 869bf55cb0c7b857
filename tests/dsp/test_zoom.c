// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/zoom.h"

#include <math.h>

enum { N = 4001, POINTS = 7 };

static void sums_at_any_frequency_are_the_direct_ones(void **state)
{
  (void)state;
  static double samples[N];
  static const double AT_HZ[POINTS] = {0, 0.37, 20.123, 1000, 7777.7, 23999.9, 24000};
  static const size_t LENGTHS[] = {1, 2, 50, 1024, N};
  rb_random random = rb_random_seeded(1);
  rb_arena *arena = rb_arena_new(0);
  for (size_t i = 0; i < N; i++)
    samples[i] = rb_random_normal(&random);
  for (size_t l = 0; l < sizeof LENGTHS / sizeof LENGTHS[0]; l++) {
    const size_t n = LENGTHS[l];
    double complex found[POINTS];
    double size = 0;
    for (size_t i = 0; i < n; i++)
      size += fabs(samples[i]);
    assert_int_equal(rb_zoom(samples, n, 48000, -0.0123, AT_HZ, POINTS, arena, found), RB_OK);
    for (size_t k = 0; k < POINTS; k++) {
      double complex direct = 0;
      for (size_t i = 0; i < n; i++)
        direct +=
            samples[i] * cexp(CMPLX(0, -2 * RB_PI * AT_HZ[k] * (-0.0123 + (double)i / 48000)));
      assert_at_most(cabs(found[k] - direct), 1e-10 * size);
    }
  }
  double complex none[1];
  assert_int_equal(rb_zoom(samples, 0, 48000, 0, AT_HZ, 1, arena, none), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sums_at_any_frequency_are_the_direct_ones),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
