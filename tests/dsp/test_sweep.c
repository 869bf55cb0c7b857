// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/response.h"
#include "rollbook/dsp/sweep.h"

#include <math.h>
#include <string.h>

enum { MOST = 600 };

static double freq_hz[MOST], noise[MOST];
static double complex response[MOST];

static rb_sweep designed(double first_hz, double last_hz, double duration_s, double rate_hz)
{
  rb_sweep sweep;
  assert_int_equal(rb_sweep_design(first_hz, last_hz, duration_s, rate_hz, &sweep), RB_OK);
  return sweep;
}

// Novak, Lotton & Simon, J. Audio Eng. Soc. 63(10), 2015: k = round(f1·T/ln(f2/f1)), L = k/f1,
// T̂ = L·ln(f2/f1). Figures computed from these in 30-digit arithmetic.
static void worked_sweeps_have_their_length_and_growth(void **state)
{
  (void)state;
  static const struct {
    double first_hz, last_hz, asked_s, growth_s, duration_s;
  } CASES[] = {{20, 20000, 10, 1.45, 10.016245154524},
               {20, 24000 - 1e-9, 10, 1.4, 9.926107571},
               {20, 20000, 5, 0.7, 4.835428695},
               {10, 22000, 10, 1.3, 10.005076431},
               {5, 20000, 20, 2.4, 19.905719136}};
  for (size_t i = 0; i < RB_LEN(CASES); i++) {
    const rb_sweep sweep = designed(CASES[i].first_hz, CASES[i].last_hz, CASES[i].asked_s, 48000);
    assert_near(sweep.growth_s, CASES[i].growth_s, 1e-12);
    assert_near(sweep.duration_s, CASES[i].duration_s, 1e-8);
  }
}

// Lags L·ln(n) of the harmonics' responses for the first sweep above, in samples at 48 kHz.
static void worked_lags_of_the_harmonics(void **state)
{
  (void)state;
  static const double LAG_SAMPLES[] = {0, 48243.043767, 76463.415, 96486.088, 112016.879};
  const rb_sweep sweep = designed(20, 20000, 10, 48000);
  for (unsigned order = 1; order <= 5; order++)
    assert_near(rb_sweep_lag_s(&sweep, order) * 48000, LAG_SAMPLES[order - 1], 1e-3);
}

static void senseless_sweeps_are_refused(void **state)
{
  (void)state;
  rb_sweep sweep;
  assert_int_equal(rb_sweep_design(0, 20000, 5, 48000, &sweep), RB_BAD_ARG);
  assert_int_equal(rb_sweep_design(20, 24000, 5, 48000, &sweep), RB_BAD_ARG);
  assert_int_equal(rb_sweep_design(20, 20000, 0.01, 48000, &sweep), RB_BAD_ARG);
  assert_int_equal(rb_sweep_design(20, NAN, 5, 48000, &sweep), RB_BAD_ARG);
  sweep = designed(20, 20000, 5, 48000);
  rb_impulse impulse;
  double few[10] = {0};
  assert_int_equal(rb_sweep_deconvolve(&sweep, few, 10, 0, NULL, &impulse), RB_BAD_ARG);
}

static void samples_begin_and_end_at_rest_and_never_pass_one(void **state)
{
  (void)state;
  const rb_sweep sweep = designed(10, 22000, 2, 48000);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = sweep.n_samples + 100;
  double *x = rb_arena_doubles(arena, n);
  rb_sweep_samples(&sweep, 0, x, n);
  for (size_t i = 0; i < n; i++)
    assert_at_most(fabs(x[i]), 1);
  assert_near(x[0], 0, 0);
  assert_near(x[sweep.n_samples - 1], 0, 1e-4);
  assert_near(x[sweep.n_samples], 0, 0);
  rb_arena_free(arena);
}

// ---- a known filter
// ------------------------------------------------------------------------------

/// A second-order section, a0 = 1.
typedef struct section {
  double b0, b1, b2, a1, a2;
} section;

static double complex section_response(const section *s, double at_hz, double rate_hz)
{
  const double complex z = cexp(CMPLX(0, -2 * RB_PI * at_hz / rate_hz));
  return (s->b0 + s->b1 * z + s->b2 * z * z) / (1 + s->a1 * z + s->a2 * z * z);
}

static void filter(const section *s, double *x, size_t n)
{
  double x1 = 0, x2 = 0, y1 = 0, y2 = 0;
  for (size_t i = 0; i < n; i++) {
    const double y = s->b0 * x[i] + s->b1 * x1 + s->b2 * x2 - s->a1 * y1 - s->a2 * y2;
    x2 = x1;
    x1 = x[i];
    y2 = y1;
    y1 = y;
    x[i] = y;
  }
}

/// First-order low-pass or high-pass by the bilinear transform (A. V. Oppenheim & R. W. Schafer,
/// Discrete-Time Signal Processing, chapter on filter design); the digital filter itself, with its
/// closed form above, is what the sweep must find.
static section first_order(double corner_hz, double rate_hz, int high)
{
  const double t = tan(RB_PI * corner_hz / rate_hz);
  const double scale = 1 / (1 + t);
  return high ? (section){.b0 = scale, .b1 = -scale, .a1 = (t - 1) * scale}
              : (section){.b0 = t * scale, .b1 = t * scale, .a1 = (t - 1) * scale};
}

/// A resonance of gain 1 far from it: peaking section after R. Bristow-Johnson's Audio EQ Cookbook.
static section peaking(double centre_hz, double q, double gain_db, double rate_hz)
{
  const double a = pow(10, gain_db / 40), w = 2 * RB_PI * centre_hz / rate_hz;
  const double alpha = sin(w) / (2 * q), scale = 1 / (1 + alpha / a);
  return (section){.b0 = (1 + alpha * a) * scale,
                   .b1 = -2 * cos(w) * scale,
                   .b2 = (1 - alpha * a) * scale,
                   .a1 = -2 * cos(w) * scale,
                   .a2 = (1 - alpha / a) * scale};
}

typedef struct device {
  section sections[3];
  size_t delay_samples;
} device;

static device known_device(double rate_hz)
{
  return (device){.sections = {first_order(8, rate_hz, 1), first_order(15000, rate_hz, 0),
                               peaking(700, 2, 4, rate_hz)},
                  .delay_samples = 137};
}

static double complex device_response(const device *d, double at_hz, double rate_hz)
{
  double complex h = 1;
  for (size_t i = 0; i < RB_LEN(d->sections); i++)
    h *= section_response(&d->sections[i], at_hz, rate_hz);
  return h;
}

/// Delays and filters in place.
static void pass(const device *d, double *x, size_t n)
{
  memmove(x + d->delay_samples, x, (n - d->delay_samples) * sizeof *x);
  memset(x, 0, d->delay_samples * sizeof *x);
  for (size_t i = 0; i < RB_LEN(d->sections); i++)
    filter(&d->sections[i], x, n);
}

static void quantise_24_bit(double *x, size_t n)
{
  for (size_t i = 0; i < n; i++)
    x[i] = round(x[i] * 0x1p23) / 0x1p23;
}

/// Worst errors of the linear response against the device's own.
static void compare(const device *d, const rb_impulse *impulse, rb_arena *arena, double *worst_db,
                    double *worst_deg)
{
  const double rate_hz = impulse->sweep.rate_hz;
  const double delay_s = (double)d->delay_samples / rate_hz;
  const size_t n = rb_log_grid(20, 20000, 48, freq_hz);
  assert_int_equal(rb_impulse_response(impulse, 1, delay_s, freq_hz, n, arena, response, noise),
                   RB_OK);
  *worst_db = *worst_deg = 0;
  for (size_t i = 0; i < n; i++) {
    const double complex error = response[i] / device_response(d, freq_hz[i], rate_hz);
    *worst_db = fmax(*worst_db, fabs(rb_db_from_ratio(cabs(error))));
    *worst_deg = fmax(*worst_deg, fabs(rb_deg_from_rad(carg(error))));
  }
}

static void a_known_filter_comes_back_within_a_hundredth_of_a_decibel(void **state)
{
  (void)state;
  static const struct {
    double rate_hz, last_hz, duration_s;
  } CASES[] = {{48000, 22000, 5}, {44100, 21500, 10}, {96000, 22000, 3}, {192000, 40000, 5}};
  for (size_t i = 0; i < RB_LEN(CASES); i++) {
    const rb_sweep sweep = designed(10, CASES[i].last_hz, CASES[i].duration_s, CASES[i].rate_hz);
    const device d = known_device(CASES[i].rate_hz);
    rb_arena *arena = rb_arena_new(0);
    const size_t n = sweep.n_samples + (size_t)CASES[i].rate_hz;
    double *x = rb_arena_doubles(arena, n);
    rb_sweep_samples(&sweep, 0, x, n);
    for (size_t k = 0; k < n; k++)
      x[k] *= 0.3;
    pass(&d, x, n);
    quantise_24_bit(x, n);
    for (size_t k = 0; k < n; k++)
      x[k] /= 0.3;
    rb_impulse impulse;
    assert_int_equal(rb_sweep_deconvolve(&sweep, x, n, 0, arena, &impulse), RB_OK);
    double worst_db, worst_deg;
    compare(&d, &impulse, arena, &worst_db, &worst_deg);
    print_message("%g Hz, %g s: within %.5f dB, %.4f deg\n", CASES[i].rate_hz, CASES[i].duration_s,
                  worst_db, worst_deg);
    assert_at_most(worst_db, 0.01);
    assert_at_most(worst_deg, 0.1);
    rb_arena_free(arena);
  }
}

static void the_impulse_gives_delay_and_polarity(void **state)
{
  (void)state;
  const rb_sweep sweep = designed(10, 22000, 2, 48000);
  device d = known_device(48000);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = sweep.n_samples + 24000;
  for (int sign = -1; sign <= 1; sign += 2) {
    double *x = rb_arena_doubles(arena, n);
    rb_sweep_samples(&sweep, 0, x, n);
    pass(&d, x, n);
    for (size_t k = 0; k < n; k++)
      x[k] *= sign;
    rb_impulse impulse;
    assert_int_equal(rb_sweep_deconvolve(&sweep, x, n, 0, arena, &impulse), RB_OK);
    double peak = 0;
    assert_near(rb_impulse_delay_s(&impulse, -0.01, 0.05, &peak) * 48000, 137, 0.5);
    assert_true(peak * sign > 0);
  }
  rb_arena_free(arena);
}

// ---- harmonics
// -----------------------------------------------------------------------------------

// y = x + a2·x² + a3·x³ + a4·x⁴ + a5·x⁵ driven by a sine of peak 1, from the power identities:
// H1 = 1 + ¾a3 + ⅝a5, H2 = −j(a2 + a4)/2, H3 = −(a3/4 + 5a5/16), H4 = +j·a4/8, H5 = a5/16.
static void a_polynomials_harmonics_are_those_of_the_identities(void **state)
{
  (void)state;
  static const double A[6] = {0, 1, 0.1, 0.05, 0.02, 0.01};
  const double complex expected[6] = {0,         1.04375,          CMPLX(0, -0.06),
                                      -0.015625, CMPLX(0, 0.0025), 0.000625};
  // 192 kHz and a sweep that ends at 19 kHz: nothing folds over.
  const rb_sweep sweep = designed(20, 19000, 10, 192000);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = sweep.n_samples + 192000;
  double *x = rb_arena_doubles(arena, n);
  rb_sweep_samples(&sweep, 0, x, n);
  for (size_t k = 0; k < n; k++)
    x[k] *= A[1] + x[k] * (A[2] + x[k] * (A[3] + x[k] * (A[4] + x[k] * A[5])));
  rb_impulse impulse;
  assert_int_equal(rb_sweep_deconvolve(&sweep, x, n, 0, arena, &impulse), RB_OK);
  assert_int_equal(rb_impulse_harmonics(&impulse, 0, arena), RB_OK);
  for (unsigned order = 1; order <= 5; order++) {
    const size_t points = rb_log_grid(100 * order, 15000 * order, 6, freq_hz);
    assert_int_equal(
        rb_impulse_response(&impulse, order, 0, freq_hz, points, arena, response, NULL), RB_OK);
    for (size_t i = 0; i < points; i++) {
      const double complex error = response[i] / expected[order];
      assert_near(rb_db_from_ratio(cabs(error)), 0, 0.02);
      assert_near(rb_deg_from_rad(carg(error)), 0, 0.1);
    }
  }
  rb_arena_free(arena);
}

/// Adds harmonic `order` of the sweep, peak `size`, in cosine or sine form as a memoryless curve
/// makes it, fading it out before it reaches half the rate.
static void add_harmonic(const rb_sweep *sweep, unsigned order, double size, double *y, size_t n)
{
  for (size_t k = 0; k < n && k < sweep->n_samples; k++) {
    const double t = (double)k / sweep->rate_hz;
    const double grown = exp(t / sweep->growth_s);
    const double ratio = order * sweep->first_hz * grown / (sweep->rate_hz / 2);
    const double fade = ratio < 0.9    ? 1
                        : ratio > 0.98 ? 0
                                       : 0.5 + 0.5 * cos(RB_PI * (ratio - 0.9) / 0.08);
    const double in = t < sweep->fade_in_s ? 0.5 - 0.5 * cos(RB_PI * t / sweep->fade_in_s) : 1;
    const double turns = order * sweep->first_hz * sweep->growth_s * grown;
    y[k] += size * fade * in * sin(2 * RB_PI * (turns - floor(turns)));
  }
}

static void small_harmonics_behind_a_filter_hold_down_to_minus_90_db(void **state)
{
  (void)state;
  static const double SIZE_DB[] = {0, 0, -60, -70, -80, -90};
  const double rate_hz = 48000;
  const rb_sweep sweep = designed(10, 22000, 5, rate_hz);
  const device d = known_device(rate_hz);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = sweep.n_samples + 48000;
  double *x = rb_arena_doubles(arena, n);
  rb_sweep_samples(&sweep, 0, x, n);
  for (unsigned order = 2; order <= 5; order++)
    add_harmonic(&sweep, order, rb_ratio_from_db(SIZE_DB[order]), x, n);
  for (size_t k = 0; k < n; k++)
    x[k] *= 0.5;
  pass(&d, x, n);
  quantise_24_bit(x, n);
  for (size_t k = 0; k < n; k++)
    x[k] /= 0.5;
  rb_impulse impulse;
  assert_int_equal(rb_sweep_deconvolve(&sweep, x, n, 0, arena, &impulse), RB_OK);
  const double delay_s = (double)d.delay_samples / rate_hz;
  assert_int_equal(rb_impulse_harmonics(&impulse, delay_s, arena), RB_OK);
  double worst[6] = {0};
  for (unsigned order = 2; order <= 5; order++) {
    const size_t points = rb_log_grid(20 * order, 20000, 24, freq_hz);
    assert_int_equal(
        rb_impulse_response(&impulse, order, delay_s, freq_hz, points, arena, response, noise),
        RB_OK);
    for (size_t i = 0; i < points; i++) {
      const double complex truth =
          rb_ratio_from_db(SIZE_DB[order]) * device_response(&d, freq_hz[i], rate_hz);
      const double error_db = rb_db_from_ratio(cabs(response[i] / truth));
      worst[order] = fmax(worst[order], fabs(error_db));
    }
    print_message("order %u at %g dB: within %.4f dB\n", order, SIZE_DB[order], worst[order]);
    assert_at_most(worst[order], 0.2);
  }
  rb_arena_free(arena);
}

// ---- noise
// ---------------------------------------------------------------------------------------

static void the_stated_noise_is_the_spread_over_runs(void **state)
{
  (void)state;
  enum { RUNS = 40, POINTS = 4 };
  static const double AT_HZ[POINTS] = {40, 300, 2000, 15000};
  const rb_sweep sweep = designed(10, 22000, 2, 48000);
  rb_random random = rb_random_seeded(7);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = sweep.n_samples + 48000;
  double spread[2][POINTS] = {{0}}, stated[2][POINTS] = {{0}};
  double complex mean[2][POINTS] = {{0}};
  for (int run = 0; run < RUNS; run++) {
    const rb_arena_mark mark = rb_arena_save(arena);
    double *x = rb_arena_doubles(arena, n);
    rb_sweep_samples(&sweep, 0, x, n);
    for (size_t k = 0; k < n; k++)
      x[k] += 1e-3 * rb_random_normal(&random);
    rb_impulse impulse;
    assert_int_equal(rb_sweep_deconvolve(&sweep, x, n, 0, arena, &impulse), RB_OK);
    assert_int_equal(rb_impulse_harmonics(&impulse, 0, arena), RB_OK);
    for (unsigned order = 1; order <= 2; order++) {
      assert_int_equal(
          rb_impulse_response(&impulse, order, 0, AT_HZ, POINTS, arena, response, noise), RB_OK);
      for (int i = 0; i < POINTS; i++) {
        mean[order - 1][i] += response[i] / RUNS;
        spread[order - 1][i] += pow(cabs(response[i]), 2) / RUNS;
        stated[order - 1][i] += noise[i] * noise[i] / RUNS;
      }
    }
    rb_arena_rewind(arena, mark);
  }
  for (int order = 0; order < 2; order++)
    for (int i = 0; i < POINTS; i++) {
      spread[order][i] -= pow(cabs(mean[order][i]), 2);
      print_message("order %d, %g Hz: stated/spread %.3f\n", order + 1, AT_HZ[i],
                    sqrt(stated[order][i] / spread[order][i]));
      // Some of the second harmonic's noise goes with the linear response: stated on the safe side.
      const double ratio = sqrt(stated[order][i] / spread[order][i]);
      assert_near(ratio, order == 0 ? 1 : 1.2, 0.35);
    }
  assert_near(rb_response_noise_db(2, 2e-3 * sqrt(2)), 20 / log(10) * 1e-3, 1e-12);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(worked_sweeps_have_their_length_and_growth),
      cmocka_unit_test(worked_lags_of_the_harmonics),
      cmocka_unit_test(senseless_sweeps_are_refused),
      cmocka_unit_test(samples_begin_and_end_at_rest_and_never_pass_one),
      cmocka_unit_test(a_known_filter_comes_back_within_a_hundredth_of_a_decibel),
      cmocka_unit_test(the_impulse_gives_delay_and_polarity),
      cmocka_unit_test(a_polynomials_harmonics_are_those_of_the_identities),
      cmocka_unit_test(small_harmonics_behind_a_filter_hold_down_to_minus_90_db),
      cmocka_unit_test(the_stated_noise_is_the_spread_over_runs),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
