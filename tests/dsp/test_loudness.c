// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/loudness.h"

#include <math.h>

static const double RATE_HZ = 48000;

typedef struct part {
  double seconds, level_db;
} part;

/// 1 kHz in all of `n_channels`, peak levels re full scale, one part after the other.
static double loudness_of(const part *parts, size_t n_parts, unsigned n_channels, double freq_hz)
{
  size_t n = 0, at = 0;
  for (size_t i = 0; i < n_parts; i++)
    n += (size_t)lround(parts[i].seconds * RATE_HZ);
  rb_arena *arena = rb_arena_new(0);
  float *frames = rb_arena_alloc(arena, n * n_channels, sizeof *frames);
  assert_non_null(frames);
  for (size_t i = 0; i < n_parts; i++) {
    for (size_t k = 0; k < (size_t)lround(parts[i].seconds * RATE_HZ); k++, at++)
      for (unsigned channel = 0; channel < n_channels; channel++)
        frames[at * n_channels + channel] =
            (float)(rb_ratio_from_db(parts[i].level_db) *
                    sin(2 * RB_PI * fmod(freq_hz * (double)at / RATE_HZ, 1)));
  }
  double loudness_lufs = 0;
  assert_int_equal(rb_loudness_lufs(frames, n, n_channels, RATE_HZ, &loudness_lufs), RB_OK);
  rb_arena_free(arena);
  return loudness_lufs;
}

// EBU Tech 3341, minimum requirements, cases 1 to 5: expected value ±0.1 LU.
static void the_cases_of_ebu_tech_3341_read_as_they_must(void **state)
{
  (void)state;
  static const struct {
    part parts[5];
    size_t n;
    double expected_lufs;
  } CASES[] = {
      {{{20, -23}}, 1, -23},
      {{{20, -33}}, 1, -33},
      {{{10, -36}, {60, -23}, {10, -36}}, 3, -23},
      {{{10, -72}, {10, -36}, {60, -23}, {10, -36}, {10, -72}}, 5, -23},
      {{{20, -26}, {20.1, -20}, {20, -26}}, 3, -23},
  };
  for (size_t i = 0; i < RB_LEN(CASES); i++)
    assert_near(loudness_of(CASES[i].parts, CASES[i].n, 2, 1000), CASES[i].expected_lufs, 0.1);
}

// EBU Tech 3341, case 6: left and right −28, centre −24, surrounds −30 dBFS.
static void five_channels_are_weighed_as_bs1770_says(void **state)
{
  (void)state;
  static const double LEVEL_DB[] = {-28, -28, -24, -30, -30};
  const size_t n = (size_t)(20 * RATE_HZ);
  rb_arena *arena = rb_arena_new(0);
  float *frames = rb_arena_alloc(arena, n * 5, sizeof *frames);
  assert_non_null(frames);
  for (size_t k = 0; k < n; k++)
    for (unsigned channel = 0; channel < 5; channel++)
      frames[k * 5 + channel] = (float)(rb_ratio_from_db(LEVEL_DB[channel]) *
                                        sin(2 * RB_PI * fmod(1000 * (double)k / RATE_HZ, 1)));
  double loudness_lufs = 0;
  assert_int_equal(rb_loudness_lufs(frames, n, 5, RATE_HZ, &loudness_lufs), RB_OK);
  assert_near(loudness_lufs, -23, 0.1);
  rb_arena_free(arena);
}

// ITU-R BS.1770: 997 Hz at 0 dBFS in one channel reads −3.01; K-weighting is flat by design there.
static void a_full_scale_tone_in_one_channel_reads_minus_3(void **state)
{
  (void)state;
  const part full = {10, 0};
  assert_near(loudness_of(&full, 1, 1, 997), -3.01, 0.005);
  assert_near(loudness_of(&full, 1, 2, 997), 0.00, 0.005);
}

static void a_change_of_gain_is_a_change_of_loudness(void **state)
{
  (void)state;
  const part loud = {10, -20}, soft = {10, -27.25};
  assert_near(loudness_of(&loud, 1, 2, 440) - loudness_of(&soft, 1, 2, 440), 7.25, 1e-4);
}

static void silence_has_no_loudness(void **state)
{
  (void)state;
  static float frames[96000];
  double loudness_lufs = 0;
  assert_int_equal(rb_loudness_lufs(frames, 48000, 2, RATE_HZ, &loudness_lufs), RB_NO_SIGNAL);
  assert_int_equal(rb_loudness_lufs(frames, 48000, 3, RATE_HZ, &loudness_lufs), RB_BAD_ARG);
  assert_int_equal(rb_loudness_lufs(frames, 48000, 2, 0, &loudness_lufs), RB_BAD_ARG);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_cases_of_ebu_tech_3341_read_as_they_must),
      cmocka_unit_test(five_channels_are_weighed_as_bs1770_says),
      cmocka_unit_test(a_full_scale_tone_in_one_channel_reads_minus_3),
      cmocka_unit_test(a_change_of_gain_is_a_change_of_loudness),
      cmocka_unit_test(silence_has_no_loudness),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
