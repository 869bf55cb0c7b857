// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/clock_offset.h"
#include "rollbook/dsp/response.h"

#include <math.h>

static const double RATE_HZ = 48000;
enum { MOST = 600, PILOT = 4800, SPACING = 480000 };

static double freq_hz[MOST], noise[MOST];
static double complex response[MOST];

/// A continuous tone of 1 kHz as a recorder `offset` slow writes it, from `start` on.
static void pilot(double offset, size_t start, double level_rms_noise, rb_random *random,
                  double *samples)
{
  for (size_t k = 0; k < PILOT; k++)
    samples[k] =
        sin(2 * RB_PI * fmod(1000 * (double)(start + k) * (1 + offset) / RATE_HZ + 0.3, 1)) +
        level_rms_noise * rb_random_normal(random);
}

static void pilots_tell_the_offset_and_how_surely(void **state)
{
  (void)state;
  static double first[PILOT], second[PILOT];
  static const double OFFSETS[] = {0, 60e-6, -33e-6, 1e-7};
  rb_random random = rb_random_seeded(3);
  for (size_t i = 0; i < sizeof OFFSETS / sizeof OFFSETS[0]; i++) {
    double squares = 0, stated = 0;
    const int runs = 60;
    for (int run = 0; run < runs; run++) {
      pilot(OFFSETS[i], 100, 1e-3, &random, first);
      pilot(OFFSETS[i], 100 + SPACING, 1e-3, &random, second);
      double uncertainty = 0;
      const double found = rb_clock_offset_from_pilots(first, second, PILOT, SPACING, 1000, RATE_HZ,
                                                       OFFSETS[i] + 20e-6, &uncertainty);
      squares += pow(found - OFFSETS[i], 2) / runs;
      stated += uncertainty / runs;
    }
    assert_at_most(sqrt(squares), 1e-9); // a thousandth of a ppm
    assert_near(sqrt(squares) / stated, 1, 0.3);
  }
}

/// A sweep through a first-order low-pass, closed form in the recorder's own samples; taken apart
/// with offset `assumed`. Returns the worst magnitude error and leaves the response in place.
static double swept(double offset, double assumed, double corner_hz, rb_arena *arena,
                    rb_sweep *sweep)
{
  assert_int_equal(rb_sweep_design(10, 22000, 10, RATE_HZ, sweep), RB_OK);
  const size_t n = sweep->n_samples + 48000;
  double *x = rb_arena_doubles(arena, n);
  rb_sweep_samples(sweep, offset, x, n);
  const double t = tan(RB_PI * corner_hz / RATE_HZ);
  double last_in = 0, last_out = 0;
  for (size_t k = 0; k < n; k++) {
    const double in = x[k];
    x[k] = (t * (in + last_in) + (1 - t) * last_out) / (1 + t);
    last_in = in;
    last_out = x[k];
  }
  rb_impulse impulse;
  assert_int_equal(rb_sweep_deconvolve(sweep, x, n, assumed, arena, &impulse), RB_OK);
  const size_t points = rb_log_grid(20, 20000, 48, freq_hz);
  assert_int_equal(rb_impulse_response(&impulse, 1, 0, freq_hz, points, arena, response, noise),
                   RB_OK);
  double worst_db = 0;
  for (size_t i = 0; i < points; i++) {
    const double complex z = cexp(CMPLX(0, -2 * RB_PI * freq_hz[i] / RATE_HZ));
    const double complex truth = t * (1 + z) / (1 + t - (1 - t) * z);
    worst_db = fmax(worst_db, fabs(rb_db_from_ratio(cabs(response[i] / truth))));
  }
  return worst_db;
}

static void sixty_ppm_cost_less_than_a_twentieth_of_a_decibel(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_sweep sweep;
  const double left_alone_db = swept(60e-6, 0, 15000, arena, &sweep);
  const double mended_db = swept(60e-6, 60e-6, 15000, arena, &sweep);
  print_message("60 ppm: left alone %.4f dB, mended %.5f dB\n", left_alone_db, mended_db);
  assert_at_most(left_alone_db, 0.05);
  assert_at_most(mended_db, 0.001);
  rb_arena_free(arena);
}

static void the_slope_of_the_angle_tells_what_offset_is_left(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_sweep sweep;
  swept(60e-6, 0, 23000, arena, &sweep);
  const size_t points = rb_log_grid_size(20, 20000, 48);
  const double found = rb_clock_offset_from_response(&sweep, freq_hz, response, points, 500, 5000);
  print_message("60 ppm from the slope: %.4f ppm\n", found * 1e6);
  assert_near(found, 60e-6, 0.3e-6);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(pilots_tell_the_offset_and_how_surely),
      cmocka_unit_test(sixty_ppm_cost_less_than_a_twentieth_of_a_decibel),
      cmocka_unit_test(the_slope_of_the_angle_tells_what_offset_is_left),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
