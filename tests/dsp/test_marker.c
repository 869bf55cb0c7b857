// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"
#include "waves.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/marker.h"

#include <math.h>
#include <string.h>

enum { LENGTH = 192000 };

static double samples[LENGTH];
static rb_marker found(size_t n, double rate_hz, size_t first, size_t last)
{
  rb_marker marker;
  assert_int_equal(rb_marker_find(samples, n, rate_hz, first, last, scratch, &marker), RB_OK);
  assert_int_equal(rb_arena_bytes(scratch), 0);
  return marker;
}

// Lays `gain` × the marker at a fractional place, by a polynomial of the marker generated at a
// sixteen times higher rate.
static void lay(double place, double rate_hz, double gain)
{
  static double fine[16 * 8192];
  const size_t n = rb_marker_length(16 * rate_hz);
  assert_true(n <= RB_LEN(fine));
  rb_marker_fill(16 * rate_hz, fine);
  const size_t start = (size_t)ceil(place);
  for (size_t j = start; j < LENGTH; j++) {
    const double at = ((double)j - place) * 16;
    const size_t i = (size_t)at;
    if (i + 1 >= n)
      break;
    samples[j] += gain * (fine[i] + (at - (double)i) * (fine[i + 1] - fine[i]));
  }
}

static void a_clean_marker_is_placed_between_samples(void **state)
{
  (void)state;
  static const double rates_hz[] = {8000, 44100, 48000, 96000, 192000};
  for (size_t i = 0; i < RB_LEN(rates_hz); i++) {
    memset(samples, 0, sizeof samples);
    const double place = 3000 + 0.37 + (double)i * 0.11;
    lay(place, rates_hz[i], -0.25);
    const rb_marker marker = found(40000, rates_hz[i], 0, 30000);
    assert_true(marker.found);
    assert_near(marker.position, place, 0.01);
    assert_int_equal(marker.polarity, -1);
    assert_near(marker.gain_ratio, 0.25, 0.001);
    assert_true(marker.score > 0.99);
  }
}

// Second-order high-pass at 20 Hz and low-pass at 15 kHz, turned over, bent by 1 %.
static void through_an_amplifier(size_t n, double rate_hz)
{
  double low = 0, high = 0;
  const double a = exp(-2 * RB_PI * 20 / rate_hz), b = exp(-2 * RB_PI * 15000 / rate_hz);
  double before = 0;
  for (size_t j = 0; j < n; j++) {
    high = a * (high + samples[j] - before);
    before = samples[j];
    low = b * low + (1 - b) * high;
    samples[j] = -(low + 0.02 * low * low - 0.02 * low * low * low);
  }
}

static void it_is_found_through_an_amplifier_with_hum_noise_and_a_tone_beside_it(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(11);
  double square = 0, predicted = 0;
  enum { ROUNDS = 60 };
  double offset = 0, places[ROUNDS];
  for (int round = 0; round < ROUNDS; round++) {
    memset(samples, 0, sizeof samples);
    const double place = 20000 + 1000 * rb_random_uniform(&random);
    add_cosine(samples + 30000, 60000, 48000, 1800, 0.5, 0); // louder, later
    lay(place, 48000, 0.1);
    through_an_amplifier(100000, 48000);
    add_cosine(samples, 100000, 48000, 50, 0.05, 1);
    add_cosine(samples, 100000, 48000, 150, 0.02, 2);
    add_noise(samples, 100000, 0.1 * 0.43 * pow(10, -30.0 / 20), &random);
    const rb_marker marker = found(100000, 48000, 0, 90000);
    assert_true(marker.found);
    assert_int_equal(marker.polarity, -1);
    places[round] = marker.position - place;
    offset += places[round] / ROUNDS;
    predicted += marker.position_uncertainty / ROUNDS;
  }
  for (int round = 0; round < ROUNDS; round++)
    square += (places[round] - offset) * (places[round] - offset) / (ROUNDS - 1);
  print_message("marker at 30 dB: spread %.4f samples, predicted %.4f, group delay %.3f\n",
                sqrt(square), predicted, offset);
  assert_at_most(sqrt(square), 0.1);
  assert_near(offset, 0.5, 0.6); // the amplifier's own group delay in the band
  assert_true(predicted > 0.6 * sqrt(square) && predicted < 1.6 * sqrt(square));
}

static void noise_tones_sweeps_and_silence_hold_no_marker(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(3);
  memset(samples, 0, sizeof samples);
  assert_false(found(LENGTH, 48000, 0, LENGTH).found);
  for (int round = 0; round < 5; round++) {
    memset(samples, 0, sizeof samples);
    add_noise(samples, LENGTH, 0.1, &random);
    assert_at_most(found(LENGTH, 48000, 0, LENGTH).score, 0.45);
  }
  memset(samples, 0, sizeof samples);
  add_cosine(samples, LENGTH, 48000, 2000, 0.5, 0);
  assert_false(found(LENGTH, 48000, 0, LENGTH).found);
  // an exponential sweep of 4 s from 20 Hz to 20 kHz
  const double rise = 4 / log(1000);
  for (size_t j = 0; j < LENGTH; j++)
    samples[j] = sin(2 * RB_PI * 20 * rise * exp((double)j / 48000 / rise));
  assert_false(found(LENGTH, 48000, 0, LENGTH).found);
}

static void ranges_are_kept_and_nonsense_is_refused(void **state)
{
  (void)state;
  memset(samples, 0, sizeof samples);
  lay(1000, 48000, 0.5);
  lay(20000, 48000, 0.05);
  assert_near(found(60000, 48000, 0, 5000).position, 1000, 0.01);
  assert_near(found(60000, 48000, 10000, 50000).position, 20000, 0.01);
  rb_marker marker;
  assert_int_equal(rb_marker_find(samples, 60000, 4000, 0, 100, scratch, &marker), RB_BAD_ARG);
  assert_int_equal(rb_marker_find(samples, 60000, 48000, 9, 8, scratch, &marker), RB_BAD_ARG);
  assert_int_equal(rb_marker_find(samples, 100, 48000, 0, 8, scratch, &marker), RB_BAD_ARG);
  assert_int_equal(rb_marker_find(samples, 60000, 48000, 59999, 60000, scratch, &marker),
                   RB_BAD_ARG);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_clean_marker_is_placed_between_samples),
      cmocka_unit_test(it_is_found_through_an_amplifier_with_hum_noise_and_a_tone_beside_it),
      cmocka_unit_test(noise_tones_sweeps_and_silence_hold_no_marker),
      cmocka_unit_test(ranges_are_kept_and_nonsense_is_refused),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
