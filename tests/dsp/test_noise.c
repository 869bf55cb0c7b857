// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/comb.h"
#include "rollbook/dsp/fft.h"
#include "rollbook/dsp/noise.h"

#include <math.h>
#include <string.h>

static const double RATE_HZ = 48000;

/// Hum of ten lines (peak values) over white noise, from sample `start` on.
typedef struct hum {
  double mains_hz, line_peak[RB_HUM_LINES + 1], noise_rms;
  rb_random random;
} hum;

static void write_hum(hum *h, size_t start, double *samples, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    samples[i] = h->noise_rms * rb_random_normal(&h->random);
    for (int line = 1; line <= RB_HUM_LINES; line++)
      if (h->line_peak[line] > 0)
        samples[i] += h->line_peak[line] *
                      cos(2 * RB_PI * fmod(line * h->mains_hz * (double)(start + i) / RATE_HZ, 1) +
                          0.7 * line);
  }
}

static rb_noise measured(hum *h, double seconds, double mains_hz, rb_arena *arena)
{
  const size_t n = (size_t)(seconds * RATE_HZ);
  double *samples = rb_arena_doubles(arena, n);
  assert_non_null(samples);
  write_hum(h, 0, samples, n);
  rb_noise_meter *meter = NULL;
  rb_noise noise;
  assert_int_equal(rb_noise_meter_new(RATE_HZ, mains_hz, arena, &meter), RB_OK);
  assert_int_equal(rb_noise_meter_add(meter, samples, n / 3), RB_OK);
  assert_int_equal(rb_noise_meter_add(meter, samples + n / 3, n - n / 3), RB_OK);
  assert_int_equal(rb_noise_meter_read(meter, arena, &noise), RB_OK);
  return noise;
}

// White noise of density S: S·19980 Hz in the band; weighted against unweighted −2.0483 dB (A,
// IEC 61672-1) and +7.3014 dB (ITU-R BS.468, 0 dB at 1 kHz) by quadrature of the curves.
static void white_noise_reads_its_level_plain_and_weighted(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  hum h = {.noise_rms = 1e-3, .random = rb_random_seeded(11)};
  const rb_noise noise = measured(&h, 30, 0, arena);
  const double expected = 1e-3 * sqrt(19980 / 24000.0);
  assert_near(rb_db_from_ratio(noise.noise.rms / expected), 0, 0.03);
  assert_near(rb_db_from_ratio(noise.a.rms / expected), -2.0483, 0.05);
  assert_near(rb_db_from_ratio(noise.bs468.rms / expected), 7.3014, 0.05);
  assert_near_relative(noise.noise.relative_uncertainty, 0.5 / sqrt(19980 * 30.0), 0.05);
  assert_near(noise.slope_db_per_octave, 0, 4 * noise.slope_uncertainty_db_per_octave);
  assert_true(noise.slope_uncertainty_db_per_octave < 0.2);
  assert_false(noise.mains_found);
  assert_near(noise.duration_s, 30, 1e-9);
  for (int line = 1; line <= RB_HUM_LINES; line++)
    assert_false(noise.line_rms[line].resolved);
  rb_arena_free(arena);
}

static void mains_frequency_is_found_within_2_mhz_in_ten_seconds(void **state)
{
  (void)state;
  static const double MAINS_HZ[] = {49.93, 50.0, 50.0371, 59.95, 60.0214, 46.3, 64.1};
  double worst_hz = 0, squares = 0, stated = 0;
  for (size_t i = 0; i < RB_LEN(MAINS_HZ); i++) {
    rb_arena *arena = rb_arena_new(0);
    hum h = {.mains_hz = MAINS_HZ[i], .noise_rms = 1e-3, .random = rb_random_seeded(i)};
    h.line_peak[2] = 1e-3 * sqrt(2.0); // at the noise's own level
    h.line_peak[1] = 0.3e-3;
    h.line_peak[3] = 0.2e-3;
    const rb_noise noise = measured(&h, 10, 0, arena);
    assert_true(noise.mains_found);
    const double error_hz = noise.mains_hz - MAINS_HZ[i];
    worst_hz = fmax(worst_hz, fabs(error_hz));
    squares += error_hz * error_hz / (double)RB_LEN(MAINS_HZ);
    stated += noise.mains_uncertainty_hz / (double)RB_LEN(MAINS_HZ);
    rb_arena_free(arena);
  }
  print_message("mains within %.6f Hz; rms error/stated %.2f\n", worst_hz, sqrt(squares) / stated);
  assert_at_most(worst_hz, 0.002);
  assert_near(sqrt(squares) / stated, 1, 0.6);
}

static void ten_lines_read_right_10_db_over_the_noise(void **state)
{
  (void)state;
  double worst_db = 0;
  for (uint64_t seed = 0; seed < 2; seed++) {
    rb_arena *arena = rb_arena_new(0);
    hum h = {.mains_hz = 50.021, .noise_rms = 1e-3, .random = rb_random_seeded(seed)};
    // 10 dB over the noise in a third of an octave around each line (base ten, 0.2308 of its
    // frequency): the noise that a listener or a third-octave meter sets against it.
    for (int line = 1; line <= RB_HUM_LINES; line++)
      h.line_peak[line] = h.noise_rms * sqrt(2 * 10 * 0.2308 * line * h.mains_hz / 24000);
    const rb_noise noise = measured(&h, 30, 50, arena);
    for (int line = 2; line <= RB_HUM_LINES; line++) {
      const rb_estimate *rms = &noise.line_rms[line];
      assert_true(rms->resolved);
      const double truth = h.line_peak[line] / sqrt(2);
      worst_db = fmax(worst_db, fabs(rb_db_from_ratio(rms->value / truth)));
      assert_at_most(fabs(rms->value - truth), 4 * rms->uncertainty);
    }
    rb_arena_free(arena);
  }
  print_message("lines 10 dB over their third octave of noise: within %.3f dB\n", worst_db);
  assert_at_most(worst_db, 0.2);
}

static void ten_lines_10_db_over_all_the_noise_hold_a_fifth_of_a_decibel(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  hum h = {.mains_hz = 59.987, .noise_rms = 1e-3, .random = rb_random_seeded(21)};
  double even = 0, odd = 0;
  for (int line = 1; line <= RB_HUM_LINES; line++) {
    h.line_peak[line] = h.noise_rms * sqrt(2 * 10);
    *(line % 2 ? &odd : &even) += h.line_peak[line] * h.line_peak[line] / 2;
  }
  const rb_noise noise = measured(&h, 10, 60, arena);
  double worst_db = 0;
  for (int line = 1; line <= RB_HUM_LINES; line++)
    worst_db =
        fmax(worst_db,
             fabs(rb_db_from_ratio(noise.line_rms[line].value / (h.line_peak[line] / sqrt(2)))));
  print_message("lines 10 dB over all the noise: within %.4f dB\n", worst_db);
  assert_at_most(worst_db, 0.2);
  assert_near(rb_db_from_ratio(noise.even_rms / sqrt(even)), 0, 0.1);
  assert_near(rb_db_from_ratio(noise.odd_rms / sqrt(odd)), 0, 0.1);
  // Off with the comb, and what is left is the noise.
  assert_near(rb_db_from_ratio(noise.noise.rms / (1e-3 * sqrt(19980 / 24000.0))), 0, 0.05);
  assert_near(noise.total.rms, sqrt(odd + even + 1e-6 * 19980 / 24000), 1e-4);
  rb_arena_free(arena);
}

static void the_slope_of_pink_noise_is_minus_3_db_an_octave(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const size_t n = 960000;
  double *samples = rb_arena_doubles(arena, n);
  hum h = {.noise_rms = 1, .random = rb_random_seeded(5)};
  write_hum(&h, 0, samples, n);
  double complex *spectrum = rb_arena_alloc(arena, n / 2 + 1, sizeof *spectrum);
  rb_fft *fft = rb_fft_new(n);
  rb_fft_forward(fft, samples, spectrum);
  for (size_t k = 1; k <= n / 2; k++)
    spectrum[k] /= sqrt((double)k);
  rb_fft_inverse(fft, spectrum, samples);
  rb_fft_free(fft);
  rb_noise_meter *meter = NULL;
  rb_noise noise;
  assert_int_equal(rb_noise_meter_new(RATE_HZ, 0, arena, &meter), RB_OK);
  assert_int_equal(rb_noise_meter_add(meter, samples, n), RB_OK);
  assert_int_equal(rb_noise_meter_read(meter, arena, &noise), RB_OK);
  print_message("pink: %.3f ± %.3f dB an octave\n", noise.slope_db_per_octave,
                noise.slope_uncertainty_db_per_octave);
  assert_near(noise.slope_db_per_octave, -3.0103, 0.2);
  assert_at_most(noise.slope_uncertainty_db_per_octave, 0.2);
  rb_arena_free(arena);
}

static void ten_minutes_need_little_memory(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new((size_t)64 << 20);
  hum h = {.noise_rms = 1e-3, .random = rb_random_seeded(9)};
  rb_noise_meter *meter = NULL;
  assert_int_equal(rb_noise_meter_new(RATE_HZ, 50, arena, &meter), RB_OK);
  static double piece[48000];
  write_hum(&h, 0, piece, RB_LEN(piece));
  for (int second = 0; second < 600; second++) {
    // The same second turned by a step each time: noise enough, and quickly made.
    const size_t shift = (size_t)(second * 7919) % RB_LEN(piece);
    assert_int_equal(rb_noise_meter_add(meter, piece + shift, RB_LEN(piece) - shift), RB_OK);
    assert_int_equal(rb_noise_meter_add(meter, piece, shift), RB_OK);
  }
  rb_noise noise;
  assert_int_equal(rb_noise_meter_read(meter, arena, &noise), RB_OK);
  assert_near(noise.duration_s, 600, 1e-9);
  assert_near(rb_db_from_ratio(noise.noise.rms / (1e-3 * sqrt(19980 / 24000.0))), 0, 0.1);
  assert_at_most((double)rb_arena_bytes(arena), 16 << 20);
  rb_arena_free(arena);
}

static void silence_and_scraps_are_no_trouble(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_noise_meter *meter = NULL;
  rb_noise noise;
  static double silence[96000];
  assert_int_equal(rb_noise_meter_new(RATE_HZ, 0, arena, &meter), RB_OK);
  assert_int_equal(rb_noise_meter_add(meter, silence, 1000), RB_OK);
  assert_int_equal(rb_noise_meter_read(meter, arena, &noise), RB_NO_SIGNAL);
  assert_int_equal(rb_noise_meter_add(meter, silence, RB_LEN(silence)), RB_OK);
  assert_int_equal(rb_noise_meter_read(meter, arena, &noise), RB_OK);
  assert_near(noise.noise.rms, 0, 0);
  assert_false(noise.mains_found);
  assert_int_equal(rb_noise_meter_new(10, 0, arena, &meter), RB_BAD_ARG);
  rb_comb comb;
  assert_int_equal(rb_comb_fit(silence, 100, RATE_HZ, 45, 65, arena, &comb), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(white_noise_reads_its_level_plain_and_weighted),
      cmocka_unit_test(mains_frequency_is_found_within_2_mhz_in_ten_seconds),
      cmocka_unit_test(ten_lines_read_right_10_db_over_the_noise),
      cmocka_unit_test(ten_lines_10_db_over_all_the_noise_hold_a_fifth_of_a_decibel),
      cmocka_unit_test(the_slope_of_pink_noise_is_minus_3_db_an_octave),
      cmocka_unit_test(ten_minutes_need_little_memory),
      cmocka_unit_test(silence_and_scraps_are_no_trouble),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
