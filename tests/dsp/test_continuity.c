// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"
#include "waves.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/continuity.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LENGTH = 96000 };

static double samples[LENGTH];
static rb_continuity judged(const double *x, size_t n, double rate_hz, double tone_hz)
{
  rb_continuity continuity;
  assert_int_equal(rb_continuity_check(x, n, rate_hz, tone_hz, scratch, &continuity), RB_OK);
  assert_int_equal(rb_arena_bytes(scratch), 0); // all scratch given back
  return continuity;
}

static void a_tone(double rate_hz, double hz, double amplitude, uint64_t seed)
{
  memset(samples, 0, sizeof samples);
  rb_random random = rb_random_seeded(seed);
  add_cosine(samples, LENGTH, rate_hz, hz, amplitude, 0.3);
  add_cosine(samples, LENGTH, rate_hz, 3 * hz, 0.01 * amplitude, 1);
  add_cosine(samples, LENGTH, rate_hz, 50.02, 0.003, 1);
  add_noise(samples, LENGTH, 1e-4, &random);
}

// Takes `lost` frames out at `at` (or repeats −lost of them).
static size_t lose(size_t at, long lost)
{
  if (lost > 0) {
    memmove(samples + at, samples + at + lost, (LENGTH - at - (size_t)lost) * sizeof(double));
    return LENGTH - (size_t)lost;
  }
  const size_t again = (size_t)-lost;
  memmove(samples + at + again, samples + at, (LENGTH - at - again) * sizeof(double));
  return LENGTH;
}

static void lost_and_repeated_frames_are_counted_and_placed(void **state)
{
  (void)state;
  static const struct {
    double rate_hz, tone_hz;
    long lost;
    double seen; // modulo the period, smallest size
  } cases[] = {
      {48000, 997, 1, 1},       {48000, 997, 7, 7},      {48000, 997, -5, -5},
      {48000, 1000, 64, 16},    {48000, 1000, 512, -16}, {44100, 1000, 256, -8.6},
      {96000, 1000, 1024, -32}, {192000, 1000, 3, 3},    {48000, 100, 64, 64},
      {48000, 60, -128, -128},  {48000, 5000, 2, 2},     {48000, 12345, 1, 1},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    a_tone(cases[i].rate_hz, cases[i].tone_hz, 0.5, i);
    const size_t at = 31000 + 17 * i, n = lose(at, cases[i].lost);
    const rb_continuity c = judged(samples, n, cases[i].rate_hz, cases[i].tone_hz);
    if (c.discontinuities != 1 || c.breaks[0].kind != RB_BREAK_PHASE_STEP)
      print_error("%ld frames at %g Hz, %g Hz: %zu breaks\n", cases[i].lost, cases[i].rate_hz,
                  cases[i].tone_hz, c.discontinuities);
    assert_false(c.usable);
    assert_int_equal(c.discontinuities, 1);
    assert_int_equal(c.breaks[0].kind, RB_BREAK_PHASE_STEP);
    assert_near(c.breaks[0].frames, cases[i].seen, 0.15);
    const double period = cases[i].rate_hz / cases[i].tone_hz;
    assert_near((double)c.breaks[0].frame, (double)at, fmax(256, 4 * period));
    assert_near((double)c.lost_frames, fabs(cases[i].seen), 0.5);
  }
}

static void several_losses_are_listed_in_order(void **state)
{
  (void)state;
  a_tone(48000, 997, 0.3, 5);
  size_t n = lose(70000, 11);
  lose(20000, 5);
  n -= 5;
  const rb_continuity c = judged(samples, n, 48000, 997);
  assert_int_equal(c.discontinuities, 2);
  assert_near((double)c.breaks[0].frame, 20000, 8);
  assert_near((double)c.breaks[1].frame, 70000, 16);
  assert_int_equal(c.lost_frames, 16);
}

static void clip(double low, double high)
{
  for (size_t j = 0; j < LENGTH; j++)
    samples[j] = fmin(high, fmax(low, samples[j]));
}

static void flat_tops_at_full_scale_and_below_are_clipping(void **state)
{
  (void)state;
  static const struct {
    double amplitude, low, high;
  } cases[] = {{1.1, -1, 1}, {1.3, -1, 0.99997}, {0.9, -0.8, 0.8}, {0.9, -2, 0.85}, {0.7, -0.6, 2}};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    a_tone(48000, 997, cases[i].amplitude, i);
    size_t over = 0;
    for (size_t j = 0; j < LENGTH; j++)
      over += samples[j] < cases[i].low || samples[j] > cases[i].high;
    clip(cases[i].low, cases[i].high);
    const rb_continuity c = judged(samples, LENGTH, 48000, 997);
    assert_false(c.usable);
    assert_near_relative((double)c.clipped_frames, (double)over, 0.02);
    assert_near(c.clip_value,
                fmax(cases[i].amplitude > 1 ? 1 : 0, fmin(-cases[i].low, cases[i].high)),
                i == 3 || i == 4 ? 0.3 : 1e-3);
    assert_int_equal(c.discontinuities, 0);
  }
}

// The turn of a low, coarsely quantised wave stays on one value for many samples.
static void quantised_waves_up_to_full_scale_are_not_clipped(void **state)
{
  (void)state;
  static const double tones_hz[] = {20, 50, 100, 997, 1000, 7000};
  static const unsigned widths[] = {8, 16, 24};
  for (size_t i = 0; i < RB_LEN(tones_hz); i++)
    for (size_t k = 0; k < RB_LEN(widths); k++) {
      memset(samples, 0, sizeof samples);
      add_cosine(samples, LENGTH, 192000, tones_hz[i], 1 - ldexp(1, 1 - (int)widths[k]), 0.2);
      quantise(samples, LENGTH, widths[k], NULL);
      const rb_continuity c = judged(samples, LENGTH, 192000, 0);
      assert_int_equal(c.clipped_frames, 0);
      assert_true(c.usable);
    }
}

static void zeros_inside_a_tone_are_a_break_and_silence_around_it_is_none(void **state)
{
  (void)state;
  a_tone(48000, 997, 0.5, 1);
  memset(samples, 0, 4000 * sizeof(double));
  memset(samples + LENGTH - 5000, 0, 5000 * sizeof(double));
  for (size_t j = 0; j < 480; j++) { // the edges a player puts on
    samples[4000 + j] *= 0.5 - 0.5 * cos(RB_PI * (double)j / 480);
    samples[LENGTH - 5001 - j] *= 0.5 - 0.5 * cos(RB_PI * (double)j / 480);
  }
  assert_true(judged(samples, LENGTH, 48000, 997).usable);
  memset(samples + 40000, 0, 128 * sizeof(double));
  const rb_continuity c = judged(samples, LENGTH, 48000, 997);
  assert_false(c.usable);
  assert_int_equal(c.breaks[0].kind, RB_BREAK_ZEROS);
  assert_near((double)c.breaks[0].frame, 40000, 1);
  assert_int_equal(c.lost_frames, 128);
}

static void a_single_wrong_sample_is_a_jump(void **state)
{
  (void)state;
  a_tone(48000, 997, 0.5, 1);
  samples[50000] += 0.4;
  const rb_continuity c = judged(samples, LENGTH, 48000, 997);
  assert_int_equal(c.discontinuities, 1);
  assert_int_equal(c.breaks[0].kind, RB_BREAK_JUMP);
  assert_near((double)c.breaks[0].frame, 50000, 1);
}

static void numbers_that_are_none_are_counted(void **state)
{
  (void)state;
  a_tone(48000, 997, 0.5, 1);
  samples[7] = NAN;
  samples[9] = -INFINITY;
  const rb_continuity c = judged(samples, LENGTH, 48000, 997);
  assert_int_equal(c.not_finite, 2);
  assert_false(c.usable);
  assert_true(judged(samples, 0, 48000, 997).not_finite == 0);
}

// ---- no false alarms
// -----------------------------------------------------------------------------

static double bent(double x, int kind, double amount)
{
  switch (kind) {
  case 0: // crossover: a dead zone around nothing
    return x > amount ? x - amount : x < -amount ? x + amount : 0;
  case 1: // a stage that runs out
    return tanh(x * (1 + 20 * amount)) / (1 + 20 * amount);
  case 2: // one half bends more
    return x + amount * x * x - amount * x * x * x;
  default: // crossover whose gain falls in the middle
    return x * (1 - 5 * amount * exp(-x * x / (amount * amount + 1e-4)));
  }
}

static void distorted_humming_noisy_tones_raise_no_alarm(void **state)
{
  (void)state;
  static const double rates_hz[] = {44100, 48000, 96000, 192000};
  rb_random random = rb_random_seeded(2026);
  for (int round = 0; round < 240; round++) {
    const double rate_hz = rates_hz[rb_random_below(&random, 4)];
    const double tone_hz = 20 * pow(500, rb_random_uniform(&random));
    const double amplitude = pow(10, -2 * rb_random_uniform(&random));
    memset(samples, 0, sizeof samples);
    add_cosine(samples, LENGTH, rate_hz, tone_hz, 0.95 * amplitude, 6 * rb_random_uniform(&random));
    const int kind = (int)rb_random_below(&random, 4);
    const double amount = 0.1 * amplitude * rb_random_uniform(&random);
    for (size_t j = 0; j < LENGTH; j++)
      samples[j] = bent(samples[j], kind, amount);
    const double hum = 0.03 * amplitude * rb_random_uniform(&random);
    for (int m = 1; m <= 4; m++)
      add_cosine(samples, LENGTH, rate_hz, m * (49.9 + 0.2 * rb_random_uniform(&random)), hum / m,
                 m);
    add_noise(samples, LENGTH, amplitude * pow(10, -2 - 3 * rb_random_uniform(&random)), &random);
    for (size_t j = 0; j < LENGTH; j++)
      samples[j] = fmin(0.999, fmax(-0.999, samples[j]));
    quantise(samples, LENGTH, round % 2 ? 16 : 24, NULL);
    const rb_continuity c = judged(samples, LENGTH, rate_hz, tone_hz * (1 + 1e-4));
    if (c.discontinuities || c.lost_frames)
      print_error("round %d: %g Hz at %g Hz, amplitude %g, kind %d amount %g: kind %d at %zu, %g\n",
                  round, tone_hz, rate_hz, amplitude, kind, amount, (int)c.breaks[0].kind,
                  c.breaks[0].frame, c.breaks[0].frames);
    assert_int_equal(c.discontinuities, 0);
    assert_int_equal(c.lost_frames, 0);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(lost_and_repeated_frames_are_counted_and_placed),
      cmocka_unit_test(several_losses_are_listed_in_order),
      cmocka_unit_test(flat_tops_at_full_scale_and_below_are_clipping),
      cmocka_unit_test(quantised_waves_up_to_full_scale_are_not_clipped),
      cmocka_unit_test(zeros_inside_a_tone_are_a_break_and_silence_around_it_is_none),
      cmocka_unit_test(a_single_wrong_sample_is_a_jump),
      cmocka_unit_test(numbers_that_are_none_are_counted),
      cmocka_unit_test(distorted_humming_noisy_tones_raise_no_alarm),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
