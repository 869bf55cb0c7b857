// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/impulses.h"

#include <math.h>

static const double RATE_HZ = 48000;
enum { MINUTE = 48000 * 60 };

static double samples[MINUTE];

/// Noise of rms 1 with hum 40 dB over it (2× mains and others, the mains wandering), shaped with
/// some 1/f below 500 Hz.
static void hum_and_noise(rb_random *random, size_t n)
{
  double phase = 0, low = 0;
  for (size_t i = 0; i < n; i++) {
    const double mains_hz = 50 + 0.02 * sin(2 * RB_PI * (double)i / RATE_HZ / 37);
    phase += mains_hz / RATE_HZ;
    phase -= floor(phase);
    const double white = rb_random_normal(random);
    low += 2 * RB_PI * 50 / RATE_HZ * (white * 3 - low);
    samples[i] = white + low + 100 * cos(2 * RB_PI * 2 * phase) + 20 * sin(2 * RB_PI * phase) +
                 10 * cos(2 * RB_PI * 3 * phase + 1) + 5 * cos(2 * RB_PI * 6 * phase);
  }
}

/// A decaying impulse of the given peak at sample `at`.
static void add_pop(size_t at, double peak, double decay_s, size_t n)
{
  for (size_t i = at; i < n && (double)(i - at) < 12 * decay_s * RATE_HZ; i++)
    samples[i] += peak * exp(-(double)(i - at) / (decay_s * RATE_HZ));
}

static rb_impulses found(size_t n, rb_arena *arena)
{
  rb_impulse_meter *meter = NULL;
  rb_impulses impulses;
  assert_int_equal(rb_impulse_meter_new(RATE_HZ, 0, arena, &meter), RB_OK);
  for (size_t at = 0; at < n; at += 12345)
    assert_int_equal(rb_impulse_meter_add(meter, samples + at, n - at < 12345 ? n - at : 12345),
                     RB_OK);
  assert_int_equal(rb_impulse_meter_read(meter, &impulses), RB_OK);
  return impulses;
}

static void hum_and_noise_alone_give_at_most_one_false_pop_a_minute(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(1);
  size_t false_pops = 0;
  const int minutes = 3;
  for (int minute = 0; minute < minutes; minute++) {
    rb_arena *arena = rb_arena_new((size_t)64 << 20);
    hum_and_noise(&random, MINUTE);
    const rb_impulses impulses = found(MINUTE, arena);
    assert_near(impulses.duration_s, 59.5, 1e-9);
    assert_false(impulses.burst.found);
    false_pops += impulses.n_pops;
    rb_arena_free(arena);
  }
  print_message("%zu false pops in %d minutes of hum and noise\n", false_pops, minutes);
  assert_at_most((double)false_pops, minutes);
}

static void pops_12_db_over_the_noise_are_found_at_their_times(void **state)
{
  (void)state;
  static const double DECAY_S[] = {0.2e-3, 0.5e-3, 1e-3, 3e-3};
  enum { POPS = 200 };
  rb_random random = rb_random_seeded(2);
  rb_arena *arena = rb_arena_new(0);
  hum_and_noise(&random, MINUTE);
  double at_s[POPS];
  for (size_t i = 0; i < POPS; i++) {
    const size_t at = 4000 + i * 14300 + (size_t)rb_random_below(&random, 5000);
    at_s[i] = (double)at / RATE_HZ;
    const double peak = (i % 2 ? -1 : 1) * rb_ratio_from_db(12);
    add_pop(at, peak, DECAY_S[i % RB_LEN(DECAY_S)], MINUTE);
  }
  const rb_impulses impulses = found(MINUTE, arena);
  size_t hits = 0;
  for (size_t i = 0; i < POPS; i++) {
    int seen = 0;
    for (size_t k = 0; k < impulses.n_pops; k++)
      seen |= fabs(impulses.pops[k].time_s - at_s[i]) < 0.005;
    hits += (size_t)seen;
  }
  print_message("%zu of %d pops of 12 dB found, %zu counted\n", hits, POPS, impulses.n_pops);
  assert_true(hits >= POPS * 95 / 100);
  assert_at_most((double)impulses.n_pops, (double)hits + 3);
  rb_arena_free(arena);
}

static void a_pops_peak_and_height_are_told(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(3);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = 48000 * 5;
  hum_and_noise(&random, n);
  add_pop(100000, -80, 1e-3, n);
  add_pop(100300, 40, 1e-3, n); // 6 ms later: the same pop
  const rb_impulses impulses = found(n, arena);
  assert_int_equal(impulses.n_pops, 1);
  assert_near(impulses.pops[0].time_s, 100000 / RATE_HZ, 1e-4);
  assert_near(impulses.pops[0].peak, -80, 5);
  assert_near(impulses.largest_peak, 80, 5);
  assert_near(impulses.pops[0].over_db, rb_db_from_ratio(80), 1.5);
  assert_near(impulses.rate_per_min, 60 / 4.5, 1e-9);
  rb_arena_free(arena);
}

static void single_samples_16_db_over_are_found_and_silence_is_quiet(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(6);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = 48000 * 20;
  for (size_t i = 0; i < n; i++)
    samples[i] = rb_random_normal(&random);
  for (size_t i = 1; i < 100; i++)
    samples[i * 9500] = rb_ratio_from_db(17);
  assert_true(found(n, arena).n_pops >= 94);
  for (size_t i = 0; i < n; i++)
    samples[i] = 0;
  assert_int_equal(found(n, arena).n_pops, 0);
  rb_arena_free(arena);
}

/// Two-level random steps through AC coupling of 5 Hz.
static void add_burst_noise(rb_random *random, double size, double mean_s, size_t n)
{
  double level = 0, last = 0, coupled = 0;
  const double keep = exp(-2 * RB_PI * 5 / RATE_HZ);
  for (size_t i = 0; i < n; i++) {
    if (rb_random_uniform(random) < 1 / (mean_s * RATE_HZ))
      level = size - level;
    coupled = keep * (coupled + level - last);
    last = level;
    samples[i] += coupled;
  }
}

static void burst_noise_is_told_from_crackle(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(4);
  rb_arena *arena = rb_arena_new(0);
  const size_t n = 48000 * 30;
  hum_and_noise(&random, n);
  add_burst_noise(&random, 4, 0.5, n);
  rb_impulses impulses = found(n, arena);
  print_message("burst noise: %zu steps of %.2f, found %d\n", impulses.burst.n_steps,
                impulses.burst.step, impulses.burst.found);
  assert_true(impulses.burst.found);
  assert_near(impulses.burst.step, 4, 0.6);
  assert_near(impulses.burst.jumps_per_s, 2, 0.6);
  hum_and_noise(&random, n);
  for (size_t i = 0; i < 50; i++)
    add_pop(10000 + 28000 * i + (size_t)rb_random_below(&random, 9000),
            20 * rb_random_normal(&random), 2e-3, n);
  impulses = found(n, arena);
  assert_true(impulses.n_pops > 35);
  assert_false(impulses.burst.found);
  rb_arena_free(arena);
}

static void too_little_is_said_so(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_impulse_meter *meter = NULL;
  rb_impulses impulses;
  assert_int_equal(rb_impulse_meter_new(RATE_HZ, 50, arena, &meter), RB_OK);
  assert_int_equal(rb_impulse_meter_add(meter, samples, 100), RB_OK);
  assert_int_equal(rb_impulse_meter_read(meter, &impulses), RB_NO_SIGNAL);
  assert_int_equal(rb_impulse_meter_new(0, 50, arena, &meter), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(hum_and_noise_alone_give_at_most_one_false_pop_a_minute),
      cmocka_unit_test(pops_12_db_over_the_noise_are_found_at_their_times),
      cmocka_unit_test(a_pops_peak_and_height_are_told),
      cmocka_unit_test(single_samples_16_db_over_are_found_and_silence_is_quiet),
      cmocka_unit_test(burst_noise_is_told_from_crackle),
      cmocka_unit_test(too_little_is_said_so),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
