// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/resample.h"

#include <math.h>
#include <stdlib.h>

/// A tone seen by a recorder `offset` slow, brought back, against the tone itself.
static double worst_error(double freq_hz, double offset)
{
  const double rate_hz = 48000;
  const size_t n = 96000;
  float *in = calloc(n, sizeof *in), *out = calloc(rb_resample_size(n, 1 + offset), sizeof *out);
  for (size_t k = 0; k < n; k++)
    in[k] = (float)(0.5 * sin(2 * RB_PI * fmod(freq_hz * (double)k * (1 + offset) / rate_hz, 1)));
  size_t n_out = 0;
  assert_int_equal(rb_resample(in, n, 1 + offset, out, &n_out), RB_OK);
  assert_true(n_out + 300 > n);
  double worst = 0;
  for (size_t k = 1000; k + 1000 < n_out; k++)
    worst = fmax(worst, fabs((double)out[k] -
                             0.5 * sin(2 * RB_PI * fmod(freq_hz * (double)k / rate_hz, 1))));
  free(in);
  free(out);
  return worst;
}

static void a_clock_offset_is_taken_out_again(void **state)
{
  (void)state;
  assert_at_most(worst_error(1000, 60e-6), 0.5e-6);
  assert_at_most(worst_error(1000, -100e-6), 0.5e-6);
  assert_at_most(worst_error(15000, 60e-6), 0.5e-5);
}

static void a_senseless_ratio_is_refused(void **state)
{
  (void)state;
  float x[2] = {0};
  size_t n_out = 1;
  assert_int_equal(rb_resample(x, 1, 0, x, &n_out), RB_BAD_ARG);
  assert_int_equal(rb_resample(x, 1, NAN, x, &n_out), RB_BAD_ARG);
  assert_int_equal(n_out, 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_clock_offset_is_taken_out_again),
      cmocka_unit_test(a_senseless_ratio_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
