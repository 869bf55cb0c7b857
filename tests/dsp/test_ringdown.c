// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/ringdown.h"

#include <math.h>

static const double RATE_HZ = 48000;
enum { N = 24000 };

static double samples[N];

static void ring(double freq_hz, double decay_s, double amplitude, double phase_deg)
{
  for (size_t i = 0; i < N; i++) {
    const double t = (double)i / RATE_HZ;
    samples[i] += amplitude * exp(-t / decay_s) *
                  cos(2 * RB_PI * fmod(freq_hz * t, 1) + phase_deg * RB_PI / 180);
  }
}

static void noise(rb_random *random, double rms)
{
  for (size_t i = 0; i < N; i++)
    samples[i] += rms * rb_random_normal(random);
}

static void silence(void)
{
  for (size_t i = 0; i < N; i++)
    samples[i] = 0;
}

static void one_ring_20_db_over_noise_is_told_within_bounds(void **state)
{
  (void)state;
  static const double FREQ_HZ[] = {180, 437.3, 950, 2310, 4900};
  static const double DECAY_S[] = {0.015, 0.06, 0.25};
  rb_arena *arena = rb_arena_new(0);
  rb_random random = rb_random_seeded(1);
  double worst_freq = 0, worst_decay = 0, squares = 0;
  int runs = 0;
  for (size_t i = 0; i < RB_LEN(FREQ_HZ); i++)
    for (size_t k = 0; k < RB_LEN(DECAY_S); k++, runs++) {
      rb_ringdown found;
      silence();
      ring(FREQ_HZ[i], DECAY_S[k], 1, 77);
      noise(&random, 0.1); // amplitude 20 dB over the rms noise
      assert_int_equal(rb_ringdown_fit(samples, N, RATE_HZ, 50, 8000, 4, arena, &found), RB_OK);
      assert_int_equal(found.n_rings, 1);
      const rb_ring *r = &found.rings[0];
      worst_freq = fmax(worst_freq, fabs(r->freq_hz / FREQ_HZ[i] - 1));
      worst_decay = fmax(worst_decay, fabs(r->decay_s / DECAY_S[k] - 1));
      squares += pow((r->decay_s - DECAY_S[k]) / r->decay_uncertainty_s, 2);
      assert_near(r->amplitude, 1, 0.1);
      assert_near(found.residual_rms, 0.1, 0.003);
    }
  print_message("frequency within %.4f %%, decay within %.2f %%, errors %.2f of the stated\n",
                100 * worst_freq, 100 * worst_decay, sqrt(squares / runs));
  assert_at_most(worst_freq, 0.002);
  assert_at_most(worst_decay, 0.05);
  assert_near(sqrt(squares / runs), 1, 0.5);
  rb_arena_free(arena);
}

static void rings_beside_each_other_and_a_thump_are_told_apart(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_random random = rb_random_seeded(2);
  rb_ringdown found;
  silence();
  ring(612, 0.12, 1, 10);
  ring(655, 0.07, 0.6, -120);
  ring(2900, 0.03, 0.4, 60);
  ring(18, 0.05, 3, 0);
  noise(&random, 0.01);
  assert_int_equal(rb_ringdown_fit(samples, N, RATE_HZ, 60, 6000, 4, arena, &found), RB_OK);
  assert_int_equal(found.n_rings, 3);
  static const double TRUTH[3][3] = {{612, 0.12, 1}, {655, 0.07, 0.6}, {2900, 0.03, 0.4}};
  for (int i = 0; i < 3; i++) {
    assert_near_relative(found.rings[i].freq_hz, TRUTH[i][0], 0.001);
    assert_near_relative(found.rings[i].decay_s, TRUTH[i][1], 0.03);
    assert_near_relative(found.rings[i].amplitude, TRUTH[i][2], 0.03);
  }
  assert_near(found.rings[0].phase_deg, 10, 2);
  rb_arena_free(arena);
}

static void without_noise_the_closed_form_comes_back(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_ringdown found;
  silence();
  ring(523.25, 0.08, 0.5, -30);
  assert_int_equal(rb_ringdown_fit(samples, N, RATE_HZ, 60, 6000, 1, arena, &found), RB_OK);
  assert_near_relative(found.rings[0].freq_hz, 523.25, 1e-6);
  assert_near_relative(found.rings[0].decay_s, 0.08, 1e-5);
  assert_near(found.rings[0].phase_deg, -30, 0.01);
  rb_arena_free(arena);
}

static void noise_and_silence_ring_not(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_random random = rb_random_seeded(3);
  rb_ringdown found;
  silence();
  assert_int_equal(rb_ringdown_fit(samples, N, RATE_HZ, 60, 6000, 4, arena, &found), RB_NO_SIGNAL);
  noise(&random, 1);
  assert_int_equal(rb_ringdown_fit(samples, N, RATE_HZ, 60, 6000, 4, arena, &found), RB_NO_SIGNAL);
  assert_int_equal(rb_ringdown_fit(samples, 10, RATE_HZ, 60, 6000, 4, arena, &found), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(one_ring_20_db_over_noise_is_told_within_bounds),
      cmocka_unit_test(rings_beside_each_other_and_a_thump_are_told_apart),
      cmocka_unit_test(without_noise_the_closed_form_comes_back),
      cmocka_unit_test(noise_and_silence_ring_not),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
