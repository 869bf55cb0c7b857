// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/intermod.h"

#include <math.h>

enum { MOST = 480000 };

static double samples[MOST];

/// y = x + a2·x² + a3·x³ + a4·x⁴ + a5·x⁵ of two cosines.
typedef struct curve {
  double a2, a3, a4, a5;
} curve;

static void play(const curve *c, double a, double f1_hz, double b, double f2_hz, double rate_hz,
                 size_t n)
{
  assert_true(n <= MOST);
  for (size_t i = 0; i < n; i++) {
    const double x = a * cos(2 * RB_PI * fmod(f1_hz * (double)i / rate_hz, 1)) +
                     b * cos(2 * RB_PI * fmod(f2_hz * (double)i / rate_hz, 1) + 0.4);
    samples[i] = x * (1 + x * (c->a2 + x * (c->a3 + x * (c->a4 + x * c->a5))));
  }
}

// Closed forms of the products of a polynomial and two cosines (binomial expansion), and the
// definitions of IEC 60268-3, 14.12 (from memory). Percent.
static const struct {
  curve curve;
  double mod_second, mod_third, mod_total, rss_of_sidebands, diff_second, diff_third;
} CASES[] = {
    {{.01, 0, 0, 0}, 1.6, 0, 1.6, 1.13137085, 0.25, 0},
    {{0, .01, 0, 0}, 0, 0.95058917, 0.95058917, 0.67216805, 0, 0.18645121},
    {{0, -.01, 0, 0}, 0, 0.96959903, 0.96959903, 0.68561005, 0, 0.18856065},
    {{.01, -.005, .002, .001}, 1.93430162, 0.36950945, 0, 0, 0.28819798, 0.07439893},
};

static void modulation_of_polynomials_is_the_closed_form(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  for (size_t i = 0; i < RB_LEN(CASES); i++) {
    play(&CASES[i].curve, 0.8, 60, 0.2, 7000, 96000, 96000);
    rb_modulation m;
    assert_int_equal(rb_modulation_measure(samples, 96000, 96000, 60, 7000, arena, &m), RB_OK);
    assert_near(100 * m.second_ratio.value, CASES[i].mod_second, 1e-6);
    assert_near(100 * m.third_ratio.value, CASES[i].mod_third, 1e-6);
    if (CASES[i].mod_total > 0)
      assert_near(100 * m.total_ratio.value, CASES[i].mod_total, 1e-6);
    assert_near(m.low_hz, 60, 1e-6);
    assert_near(m.high_hz, 7000, 1e-6);
  }
  rb_arena_free(arena);
}

// The trap: root-sum-square of single sidebands reads √2 less than amplitude modulation.
static void sidebands_add_as_amplitudes(void **state)
{
  (void)state;
  for (size_t i = 0; i < 3; i++)
    assert_near_relative(CASES[i].mod_total / CASES[i].rss_of_sidebands, sqrt(2), 1e-6);
  const double depth = 0.01, rate_hz = 48000;
  for (size_t i = 0; i < 96000; i++) {
    const double t = (double)i / rate_hz;
    samples[i] = 0.8 * cos(2 * RB_PI * 60 * t) +
                 0.2 * (1 + depth * cos(2 * RB_PI * 60 * t)) * cos(2 * RB_PI * fmod(7000 * t, 1));
  }
  rb_arena *arena = rb_arena_new(0);
  rb_modulation m;
  assert_int_equal(rb_modulation_measure(samples, 96000, rate_hz, 60, 7000, arena, &m), RB_OK);
  assert_near_relative(m.second_ratio.value, depth, 1e-6);
  rb_arena_free(arena);
}

// The other trap: the reference is twice U(f2); one tone as the reference reads 6.02 dB more.
static void differences_of_polynomials_are_the_closed_form(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  for (size_t i = 0; i < RB_LEN(CASES); i++) {
    // At 192 kHz no product folds over, as the closed form wants it.
    play(&CASES[i].curve, 0.5, 19000, 0.5, 20000, 192000, 192000);
    rb_difference d;
    assert_int_equal(rb_difference_measure(samples, 192000, 192000, 19000, 20000, 22000, arena, &d),
                     RB_OK);
    assert_near(100 * d.second_ratio.value, CASES[i].diff_second, 1e-6);
    assert_near(100 * d.third_ratio.value, CASES[i].diff_third, 1e-6);
    assert_true(d.third_upper_counted);
    const double tone_peak = d.f2_rms * sqrt(2), product_peak = CASES[i].curve.a2 * 0.25;
    if (CASES[i].curve.a4 <= 0 && product_peak > 0)
      assert_near(rb_db_from_ratio(product_peak / tone_peak / d.second_ratio.value), 6.0206, 1e-4);
  }
  rb_arena_free(arena);
}

static void a_clock_offset_moves_all_lines_and_no_figure(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const double offset = 1 + 80e-6;
  play(&CASES[0].curve, 0.8, 60 * offset, 0.2, 7000 * offset, 48000, 24000);
  rb_modulation m;
  assert_int_equal(rb_modulation_measure(samples, 24000, 48000, 60, 7000, arena, &m), RB_OK);
  assert_near(100 * m.second_ratio.value, 1.6, 1e-5);
  assert_near(m.high_hz, 7000.56, 1e-4);
  play(&CASES[1].curve, 0.5, 14000 * offset, 0.5, 15000 * offset, 192000, 96000);
  rb_difference d;
  assert_int_equal(rb_difference_measure(samples, 96000, 192000, 14000, 15000, 20000, arena, &d),
                   RB_OK);
  assert_near(100 * d.third_ratio.value, 0.18645121, 1e-5);
  rb_arena_free(arena);
}

static void the_upper_line_above_the_limit_is_left_out_and_said_so(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  play(&CASES[1].curve, 0.5, 19000, 0.5, 20000, 192000, 96000);
  rb_difference d;
  assert_int_equal(rb_difference_measure(samples, 96000, 192000, 19000, 20000, 20500, arena, &d),
                   RB_OK);
  assert_false(d.third_upper_counted);
  assert_near(100 * d.third_ratio.value, 0.18645121 / 2, 1e-6);
  rb_arena_free(arena);
}

static void noise_gives_the_stated_spread_and_no_false_product(void **state)
{
  (void)state;
  enum { RUNS = 100, N = 24000 };
  const curve straight = {0}, bent = {.a2 = 1e-3};
  rb_random random = rb_random_seeded(4);
  rb_arena *arena = rb_arena_new(0);
  double sum = 0, squares = 0, stated = 0;
  int false_products = 0;
  for (int run = 0; run < RUNS; run++) {
    rb_modulation m;
    play(run % 2 ? &straight : &bent, 0.8, 60, 0.2, 7000, 48000, N);
    for (size_t i = 0; i < N; i++)
      samples[i] += 1e-3 * rb_random_normal(&random);
    assert_int_equal(rb_modulation_measure(samples, N, 48000, 60, 7000, arena, &m), RB_OK);
    if (run % 2) {
      false_products += m.second_ratio.resolved;
      continue;
    }
    sum += m.second_ratio.value / (RUNS / 2);
    squares += pow(m.second_ratio.value, 2) / (RUNS / 2);
    stated += m.second_ratio.uncertainty / (RUNS / 2);
  }
  assert_near_relative(sqrt(squares - sum * sum), stated, 0.25);
  assert_near(sum, 1.6e-3, 3 * stated / sqrt(RUNS / 2.0));
  assert_at_most(false_products, 6); // of 50; one in twenty is expected
  rb_arena_free(arena);
}

static void a_missing_tone_is_no_signal(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_modulation m;
  rb_random random = rb_random_seeded(2);
  const curve straight = {0};
  play(&straight, 0.8, 60, 0, 7000, 48000, 48000);
  for (size_t i = 0; i < 48000; i++)
    samples[i] += 1e-3 * rb_random_normal(&random);
  assert_int_equal(rb_modulation_measure(samples, 48000, 48000, 60, 7000, arena, &m), RB_NO_SIGNAL);
  assert_int_equal(rb_modulation_measure(samples, 100, 48000, 60, 7000, arena, &m), RB_BAD_ARG);
  assert_int_equal(rb_modulation_measure(samples, 48000, 48000, 60, 30000, arena, &m), RB_BAD_ARG);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(modulation_of_polynomials_is_the_closed_form),
      cmocka_unit_test(sidebands_add_as_amplitudes),
      cmocka_unit_test(differences_of_polynomials_are_the_closed_form),
      cmocka_unit_test(a_clock_offset_moves_all_lines_and_no_figure),
      cmocka_unit_test(the_upper_line_above_the_limit_is_left_out_and_said_so),
      cmocka_unit_test(noise_gives_the_stated_spread_and_no_false_product),
      cmocka_unit_test(a_missing_tone_is_no_signal),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
