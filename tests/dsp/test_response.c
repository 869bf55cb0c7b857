// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/response.h"

#include <math.h>

enum { MOST = 2000 };

static double freq_hz[MOST], magnitude_db[MOST], phase_deg[MOST], delay_s[MOST];
static double complex response[MOST];

static double complex low_pass(double r)
{
  return 1 / CMPLX(1, r);
}

static double complex high_pass(double r)
{
  return CMPLX(0, r) / CMPLX(1, r);
}

static size_t fill(double low_hz, double high_hz, unsigned per_octave, double corner_low_hz,
                   double corner_high_hz)
{
  const size_t n = rb_log_grid(low_hz, high_hz, per_octave, freq_hz);
  assert_true(n > 1 && n < MOST);
  for (size_t i = 0; i < n; i++)
    response[i] = high_pass(freq_hz[i] / corner_low_hz) * low_pass(freq_hz[i] / corner_high_hz);
  rb_response_db(response, n, magnitude_db);
  return n;
}

static void the_grid_holds_both_ends_and_1_khz(void **state)
{
  (void)state;
  assert_int_equal(rb_log_grid_size(500, 2000, 24), 49);
  assert_int_equal(rb_log_grid(500, 2000, 24, freq_hz), 49);
  assert_near_relative(freq_hz[0], 500, 1e-12);
  assert_near_relative(freq_hz[24], 1000, 1e-12);
  assert_near_relative(freq_hz[48], 2000, 1e-12);
  assert_int_equal(rb_log_grid_size(20, 20000, 24), 239);
  assert_int_equal(rb_log_grid_size(0, 100, 24), 0);
  assert_int_equal(rb_log_grid_size(200, 100, 24), 0);
  assert_int_equal(rb_log_grid_size(100, 100.001, 1), 0);
}

// First-order filters: closed form −10·log10(1 + r²), corner where r = 1 (any network textbook).
static void corners_are_where_first_order_filters_have_them(void **state)
{
  (void)state;
  const double half_power_db = 10 * log10(2);
  for (unsigned per_octave = 24; per_octave <= 48; per_octave *= 2) {
    const size_t n = fill(2, 200000, per_octave, 10, 40000);
    double corner_hz = 0;
    assert_true(
        rb_response_corner(freq_hz, magnitude_db, n, 1000, half_power_db, false, &corner_hz));
    assert_near_relative(corner_hz, 10, 1e-3);
    assert_true(
        rb_response_corner(freq_hz, magnitude_db, n, 1000, half_power_db, true, &corner_hz));
    assert_near_relative(corner_hz, 40000, 2e-3);
    assert_false(rb_response_corner(freq_hz, magnitude_db, n, 1000, 40, true, &corner_hz));
  }
}

static void band_means_are_those_of_a_closed_form(void **state)
{
  (void)state;
  const size_t n = fill(1, 100000, 48, 1e-3, 1e9);
  assert_near(rb_response_band_db(freq_hz, magnitude_db, n, 30, 120, 1000), 0, 1e-4);
  // |H|² = 1/(1 + r²) over ln r: ½·ln(r²/(1 + r²)) between the limits.
  const size_t m = fill(1, 100000, 48, 1e-3, 8000);
  const double r1 = 1, r2 = 2.5;
  const double mean =
      0.5 * (log(r2 * r2 / (1 + r2 * r2)) - log(r1 * r1 / (1 + r1 * r1))) / log(r2 / r1);
  const double at_1k = 1 / (1 + pow(1000.0 / 8000, 2));
  assert_near(rb_response_band_db(freq_hz, magnitude_db, m, 8000, 20000, 1000),
              10 * log10(mean / at_1k), 1e-3);
}

static void phase_unfolds_and_group_delay_follows_the_closed_form(void **state)
{
  (void)state;
  const double delay = 3.7e-3, corner_hz = 15000;
  const size_t n = rb_log_grid(20, 20000, 96, freq_hz);
  for (size_t i = 0; i < n; i++)
    response[i] =
        low_pass(freq_hz[i] / corner_hz) * cexp(CMPLX(0, -2 * RB_PI * freq_hz[i] * delay));
  rb_response_undelay(freq_hz, response, n, delay);
  rb_response_phase_deg(freq_hz, response, n, 1000, phase_deg);
  rb_response_group_delay(freq_hz, phase_deg, n, delay_s);
  for (size_t i = 1; i + 1 < n; i++) {
    const double r = freq_hz[i] / corner_hz;
    assert_near(phase_deg[i], -rb_deg_from_rad(atan(r)), 1e-6);
    assert_near_relative(delay_s[i], 1 / (2 * RB_PI * corner_hz * (1 + r * r)), 1e-3);
  }
}

static void a_pure_delay_is_found_whatever_the_sign(void **state)
{
  (void)state;
  const size_t n = rb_log_grid(300, 3000, 96, freq_hz);
  for (int sign = -1; sign <= 1; sign += 2) {
    for (size_t i = 0; i < n; i++)
      response[i] = sign * cexp(CMPLX(0, -2 * RB_PI * freq_hz[i] * 1.234e-4));
    assert_near(rb_response_delay_s(freq_hz, response, n, 300, 3000), 1.234e-4, 1e-12);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_grid_holds_both_ends_and_1_khz),
      cmocka_unit_test(corners_are_where_first_order_filters_have_them),
      cmocka_unit_test(band_means_are_those_of_a_closed_form),
      cmocka_unit_test(phase_unfolds_and_group_delay_follows_the_closed_form),
      cmocka_unit_test(a_pure_delay_is_found_whatever_the_sign),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
