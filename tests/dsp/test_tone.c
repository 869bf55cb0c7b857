// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"
#include "waves.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/tone.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

enum { LONGEST = 480000 };

static double samples[LONGEST];
static rb_tone analysed(size_t n, double rate_hz, const rb_tone_options *options)
{
  rb_tone tone;
  rb_err err = {0};
  const rb_tone_options usual = rb_tone_options_default();
  const rb_status status =
      rb_tone_analyse(samples, n, rate_hz, options ? options : &usual, scratch, &tone, &err);
  if (status != RB_OK)
    print_error("%s\n", err.message);
  assert_int_equal(status, RB_OK);
  assert_int_equal(rb_arena_bytes(scratch), 0); // all scratch given back
  return tone;
}

static void silence(void)
{
  memset(samples, 0, sizeof samples);
}

// ---- one tone
// ------------------------------------------------------------------------------------

// A worked example of the four-parameter fit of IEEE 1057: 1000 samples at 48 kHz of
// 0.02 + 0.5·cos(2π·1234.5678·t − 1.1); recomputed with an independent implementation.
static void the_worked_sine_fit_comes_out(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 1000, 48000, 1234.5678, 0.5, -1.1);
  for (size_t j = 0; j < 1000; j++)
    samples[j] += 0.02;
  const rb_tone tone = analysed(1000, 48000, NULL);
  assert_near(tone.frequency_hz.value, 1234.5678, 1e-8);
  assert_near(tone.amplitude.value, 0.5, 1e-11);
  assert_near(tone.rms.value, 0.5 * sqrt(0.5), 1e-11);
  assert_near(tone.phase_deg.value, rb_deg_from_rad(-1.1), 1e-8);
  assert_near(tone.dc.value, 0.02, 1e-11);
}

static void a_24_bit_tone_is_read_within_its_limits_at_every_rate(void **state)
{
  (void)state;
  static const struct {
    double rate_hz, hz;
    size_t n;
  } cases[] = {{44100, 997.3, 44100},   {48000, 1000, 24000},   {48000, 61.7, 48000},
               {88200, 440.123, 88200}, {96000, 2345.6, 48000}, {192000, 997, 192000}};
  for (size_t i = 0; i < RB_LEN(cases); i++)
    for (int dithered = 0; dithered < 2; dithered++) {
      rb_random random = rb_random_seeded(i);
      silence();
      add_cosine(samples, cases[i].n, cases[i].rate_hz, cases[i].hz, 0.7, 0.4);
      for (int k = 2; k <= 10; k++)
        add_cosine(samples, cases[i].n, cases[i].rate_hz, k * cases[i].hz, 0.7e-5, k);
      quantise(samples, cases[i].n, 24, dithered ? &random : NULL);
      const rb_tone tone = analysed(cases[i].n, cases[i].rate_hz, NULL);
      assert_near(rb_db_from_ratio(tone.amplitude.value / 0.7), 0, 0.001);
      assert_near_relative(tone.frequency_hz.value, cases[i].hz, 1e-6);
      for (int k = 2; k <= 10; k++) {
        assert_near(rb_db_from_ratio(tone.harmonic[k].ratio.value), -100, 0.3);
        assert_true(tone.harmonic[k].amplitude.resolved);
        assert_near(rb_fold_deg(tone.harmonic[k].phase_deg.value - rb_deg_from_rad(k - k * 0.4)), 0,
                    2);
      }
    }
}

// ---- distortion in closed form
// -------------------------------------------------------------------

// Band-limited Fourier series; sums of squares of 1/n or 1/n² recomputed in 30 digits.
static void classical_waves_have_their_distortion(void **state)
{
  (void)state;
  typedef enum wave { SQUARE, SAWTOOTH, TRIANGLE } wave;
  static const struct {
    wave wave;
    unsigned harmonics;
    double thd_pct;
  } cases[] = {{SQUARE, 5, 38.873013},    {SQUARE, 10, 42.879477},  {SAWTOOTH, 5, 68.088994},
               {SAWTOOTH, 10, 74.146324}, {TRIANGLE, 5, 11.809182}, {TRIANGLE, 10, 12.047650}};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    silence();
    for (unsigned n = 1; n <= 20; n++) {
      const bool odd = n % 2;
      const double size = cases[i].wave == SAWTOOTH ? 1.0 / n
                          : !odd                    ? 0
                          : cases[i].wave == SQUARE ? 1.0 / n
                                                    : (n % 4 == 1 ? 1.0 : -1.0) / (n * n);
      if (size != 0)
        add_cosine(samples, 24000, 48000, n * 997.0, 0.4 * size, n * 0.7 - RB_PI / 2);
    }
    rb_tone_options options = rb_tone_options_default();
    options.n_harmonics = cases[i].harmonics;
    const rb_tone tone = analysed(24000, 48000, &options);
    assert_near_relative(tone.thd_ratio.value, cases[i].thd_pct / 100, 1e-6);
    const double f = tone.thd_ratio.value;
    assert_near_relative(tone.thd_total_ratio.value, f / sqrt(1 + f * f), 1e-12);
    static const double up_to_20_pct[] = {45.686028, 77.211608, 12.106734}; // H2 … H20
    assert_near_relative(tone.thd_n_ratio.value, up_to_20_pct[cases[i].wave] / 100, 1e-6);
    // sin(nθ) with positive sign is 90°·(n − 1) against the fundamental
    assert_near(fabs(tone.harmonic[3].phase_deg.value), cases[i].wave == TRIANGLE ? 0 : 180, 1e-4);
    assert_near(tone.harmonic[5].phase_deg.value, 0, 1e-4);
  }
}

// y = x + a2·x² + a3·x³ + a4·x⁴ + a5·x⁵ of a cosine, by the power-reduction identities.
static void polynomials_give_their_harmonics_with_sign(void **state)
{
  (void)state;
  static const struct {
    double amplitude, a[4], dc, h[6], thd_pct;
  } cases[] = {
      {1, {0.01, 0, 0, 0}, 0.005, {0, 1, 0.005, 0, 0, 0}, 0.5},
      {1, {0, 0.01, 0, 0}, 0, {0, 1.0075, 0, 0.0025, 0, 0}, 0.248138958},
      {1, {0, -0.01, 0, 0}, 0, {0, 0.9925, 0, -0.0025, 0, 0}, 0.251889169},
      {1,
       {0.1, 0.05, 0.02, 0.01},
       0.0575,
       {0, 1.04375, 0.06, 0.015625, 0.0025, 0.000625},
       5.94535697},
      {0.5,
       {0.1, -0.05, 0.02, 0.01},
       0.01296875,
       {0, 0.4955078125, 0.013125, -0.00146484375, 0.00015625, 1.953125e-5},
       2.66543310},
      {1, {1e-5, 2e-6, 0, 0}, 5e-6, {0, 1.0000015, 5e-6, 5e-7, 0, 0}, 0.000502493},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    silence();
    add_cosine(samples, 48000, 48000, 997.31, cases[i].amplitude, 2.1 * (double)i);
    for (size_t j = 0; j < 48000; j++) {
      const double x = samples[j], *a = cases[i].a;
      samples[j] = x + x * x * (a[0] + x * (a[1] + x * (a[2] + x * a[3])));
    }
    const rb_tone tone = analysed(48000, 48000, NULL);
    assert_near(tone.dc.value, cases[i].dc, 1e-11);
    assert_near(tone.amplitude.value, cases[i].h[1], 1e-11);
    assert_near(tone.thd_ratio.value, cases[i].thd_pct / 100, 1e-11 + 1e-8 * cases[i].thd_pct);
    for (unsigned n = 2; n <= 5; n++) {
      assert_near(tone.harmonic[n].amplitude.value, fabs(cases[i].h[n]), 1e-11);
      if (cases[i].h[n] != 0)
        assert_near(fabs(tone.harmonic[n].phase_deg.value), cases[i].h[n] > 0 ? 0 : 180, 1e-3);
    }
    assert_near(tone.h2_signed_ratio.value, cases[i].h[2] / cases[i].h[1], 1e-11);
  }
}

static double fundamental_of_clip(double amplitude, double limit)
{
  const double alpha = asin(limit / amplitude);
  return 2 * amplitude / RB_PI * (alpha + 0.5 * sin(2 * alpha));
}

// Signed amplitude of sin(nθ), n odd ≥ 3, in a sine clipped at ±limit (Fourier integral).
static double harmonic_of_clip(double amplitude, double limit, unsigned n)
{
  const double alpha = asin(limit / amplitude);
  return 2 * amplitude / (RB_PI * n) *
         (sin((n - 1) * alpha) / (n - 1) + sin((n + 1) * alpha) / (n + 1));
}

// cos of the angle against the fundamental is +1 or −1; sin(nθ) with a positive sign has 90°·(n−1).
static double sine_sign(const rb_tone *tone, unsigned n)
{
  return cos((tone->harmonic[n].phase_deg.value - 90.0 * (n - 1)) * RB_PI / 180);
}

static void a_clipped_sine(double hz, double amplitude, double limit)
{
  silence();
  add_cosine(samples, 48000, 48000, hz, amplitude, -RB_PI / 2);
  for (size_t j = 0; j < 48000; j++)
    samples[j] = fmin(limit, fmax(-limit, samples[j]));
}

// 997 Hz in 48 000 samples at 48 kHz: aliases of the sampled corners fall on other bins.
static void clipped_sines_have_their_odd_harmonics_with_sign(void **state)
{
  (void)state;
  static const double ratios[] = {0.999, 0.99, 0.95, 0.9, 0.8, 0.7071067811865476, 0.5};
  for (size_t i = 0; i < RB_LEN(ratios); i++) {
    a_clipped_sine(997, 0.4, 0.4 * ratios[i]);
    const rb_tone tone = analysed(48000, 48000, NULL);
    assert_near(tone.amplitude.value, fundamental_of_clip(0.4, 0.4 * ratios[i]), 1e-8);
    for (unsigned n = 3; n <= 9; n += 2)
      assert_near(tone.harmonic[n].amplitude.value * sine_sign(&tone, n),
                  harmonic_of_clip(0.4, 0.4 * ratios[i], n), 2e-8);
    for (unsigned n = 2; n <= 10; n += 2)
      assert_near(tone.harmonic[n].amplitude.value, 0, 1e-8);
  }
}

// All in-band lines of the sampled clipped sine, folded ones included; harmonics alone would give
// 4.21528 % and 23.28534 % (recomputed by transform).
static void folded_lines_count_as_distortion_and_noise(void **state)
{
  (void)state;
  a_clipped_sine(997, 0.4, 0.36);
  assert_near(100 * analysed(48000, 48000, NULL).thd_n_ratio.value, 4.21671, 2e-5);
  a_clipped_sine(997, 0.4, 0.2);
  assert_near(100 * analysed(48000, 48000, NULL).thd_n_ratio.value, 23.28767, 1e-4);
}

// With 1 kHz at 48 kHz orders 48 ± n fold onto order n: what is in the samples is not the closed
// form, by more than 10⁻⁴ of the amplitude, and no analysis can tell.
static void a_clipped_kilohertz_at_48_kilohertz_folds_onto_its_own_harmonics(void **state)
{
  (void)state;
  a_clipped_sine(1000, 0.4, 0.2);
  const rb_tone tone = analysed(48000, 48000, NULL);
  double largest = 0;
  for (unsigned n = 3; n <= 9; n += 2)
    largest = fmax(largest, fabs(tone.harmonic[n].amplitude.value * sine_sign(&tone, n) -
                                 harmonic_of_clip(0.4, 0.2, n)));
  assert_true(largest > 1e-4 * 0.4 && largest < 4e-3 * 0.4);
}

// sgn(x)·max(|x| − d, 0) is the sine less its clipped self.
static void a_dead_zone_has_negative_third_harmonic(void **state)
{
  (void)state;
  static const double shares[] = {0.01, 0.05, 0.1, 0.2, 0.5};
  static const double h3_pct[] = {-0.429822, -2.257789, -4.789419, -10.687354, -35.251008};
  for (size_t i = 0; i < RB_LEN(shares); i++) {
    const double d = 0.4 * shares[i];
    silence();
    add_cosine(samples, 48000, 48000, 997, 0.4, -RB_PI / 2);
    for (size_t j = 0; j < 48000; j++)
      samples[j] = samples[j] > d ? samples[j] - d : samples[j] < -d ? samples[j] + d : 0;
    const rb_tone tone = analysed(48000, 48000, NULL);
    assert_near(tone.amplitude.value, 0.4 - fundamental_of_clip(0.4, d), 1e-8);
    assert_near(100 * tone.harmonic[3].ratio.value * sine_sign(&tone, 3), h3_pct[i], 1e-5);
    assert_near(tone.harmonic[5].amplitude.value * sine_sign(&tone, 5),
                -harmonic_of_clip(0.4, d, 5), 2e-8);
  }
}

// Half-wave rectification: even harmonics (2/π)/(4k² − 1) at 180° (Fourier series).
static void a_rectified_sine_has_even_harmonics_at_180_degrees(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 48000, 48000, 997, 0.4, 0.3);
  for (size_t j = 0; j < 48000; j++)
    samples[j] = fmax(samples[j], 0);
  const rb_tone tone = analysed(48000, 48000, NULL);
  static const double pct[] = {42.44132, 8.48826, 3.63783};
  for (unsigned k = 0; k < 3; k++)
    assert_near(100 * tone.harmonic[2 * k + 2].ratio.value, pct[k], 1e-4);
  // cosine drive: cos 2θ positive, cos 4θ negative, cos 6θ positive
  assert_near(tone.harmonic[2].phase_deg.value, 0, 0.01);
  assert_near(fabs(tone.harmonic[4].phase_deg.value), 180, 0.01);
  assert_near(tone.dc.value, 0.4 / RB_PI, 1e-7);
}

// ---- sums, bands, traps
// --------------------------------------------------------------------------

// 1 V, H2 1 mV, H3 0.5 mV, 0.8 mV of noise in the band: 0.111803 %, 0.137477 %, 57.235 dB.
static void the_worked_sum_comes_out(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(77);
  silence();
  const double root2 = sqrt(2);
  add_cosine(samples, 480000, 48000, 997, root2, 0.1);
  add_cosine(samples, 480000, 48000, 1994, 1e-3 * root2, 1);
  add_cosine(samples, 480000, 48000, 2991, 0.5e-3 * root2, 2);
  add_noise(samples, 480000, 0.8e-3 * sqrt(24000.0 / 19980), &random);
  const rb_tone tone = analysed(480000, 48000, NULL);
  assert_near(100 * tone.thd_ratio.value, 0.111803, 5 * 100 * tone.thd_ratio.uncertainty);
  assert_near_relative(100 * tone.thd_ratio.value, 0.111803, 0.01);
  assert_near(rb_db_from_ratio(100 * tone.thd_n_ratio.value / 0.137477271), 0, 0.1);
  assert_near(rb_db_from_ratio(100 * tone.thd_n_total_ratio.value / 0.137477141), 0, 0.1);
  assert_near(tone.sinad_db.value, 57.23539, 0.1);
  assert_near(rb_db_from_ratio(tone.noise_rms.value / 0.8e-3), 0, 0.1);
  assert_near_relative(tone.even_ratio.value, 1e-3, 0.02);
  assert_near_relative(tone.odd_ratio.value, 0.5e-3, 0.02);
}

// A notch meter's second-order notch also takes 1.17 dB off H2 at Q = 1.2 and reads 0.0874 % where
// there is 0.1 % (gain |1 − x²|/√((1 − x²)² + (x/Q)²) at x = 2). Here only the tone is taken off.
static void pure_second_harmonic_is_read_in_full(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 48000, 48000, 997, 0.5, 0);
  add_cosine(samples, 48000, 48000, 1994, 0.5e-3, 1);
  assert_near_relative(analysed(48000, 48000, NULL).thd_n_ratio.value, 1e-3, 1e-6);
}

static void the_twentieth_harmonic_of_a_kilohertz_is_in_the_band(void **state)
{
  (void)state;
  static const struct {
    double hz, thd_n_pct;
  } cases[] = {{1000, 1}, {1000.05, 1}, {999.9, 1}, {1010, 0}};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    silence();
    add_cosine(samples, 96000, 48000, cases[i].hz, 0.5, 0);
    add_cosine(samples, 96000, 48000, 20 * cases[i].hz, 0.005, 1);
    assert_near(100 * analysed(96000, 48000, NULL).thd_n_ratio.value, cases[i].thd_n_pct, 1e-4);
  }
}

static void harmonics_beyond_the_band_or_nyquist_are_not_summed(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 48000, 48000, 11000, 0.5, 0);
  add_cosine(samples, 48000, 48000, 22000, 0.05, 0);
  const rb_tone tone = analysed(48000, 48000, NULL);
  assert_true(tone.harmonic[2].present && !tone.harmonic[2].in_band && !tone.harmonic[3].present);
  assert_near(tone.harmonic[2].ratio.value, 0.1, 1e-9);
  assert_near(tone.thd_ratio.value, 0, 1e-9);
  assert_near(tone.thd_n_ratio.value, 0, 1e-6);
}

// Full-scale sine in b bits: 6.0206·b + 1.7609 dB over the whole Nyquist band (W. R. Bennett, Bell
// System Tech. J. 27, 1948).
static void quantised_sines_have_their_signal_to_noise_ratio(void **state)
{
  (void)state;
  static const unsigned widths[] = {8, 16, 24};
  for (size_t i = 0; i < RB_LEN(widths); i++) {
    silence();
    add_cosine(samples, 48000, 48000, 997, 1 - ldexp(1, 1 - (int)widths[i]), 0.1);
    quantise(samples, 48000, widths[i], NULL);
    rb_tone_options options = rb_tone_options_default();
    options.band_low_hz = 0;
    options.band_high_hz = 24000;
    const rb_tone tone = analysed(48000, 48000, &options);
    const double level_db = rb_db_from_ratio(1 - ldexp(1, 1 - (int)widths[i]));
    assert_near(tone.sinad_db.value, 6.0206 * widths[i] + 1.7609 + level_db,
                widths[i] == 8 ? 0.35 : 0.15);
    options.band_low_hz = 20;
    options.band_high_hz = 20000;
    assert_near(analysed(48000, 48000, &options).sinad_db.value - tone.sinad_db.value, 0.796,
                widths[i] == 8 ? 0.5 : 0.15);
  }
}

// ---- what else is in the signal
// ------------------------------------------------------------------

static void strong_mains_lines_do_not_move_the_harmonics(void **state)
{
  (void)state;
  static const double mains_hz[] = {50.013, 49.87, 60.02};
  for (size_t i = 0; i < RB_LEN(mains_hz); i++)
    for (size_t n = 22050; n <= 88200; n *= 2) {
      silence();
      add_cosine(samples, n, 44100, 997.3, 0.5, 0.2);
      for (int k = 2; k <= 10; k++)
        add_cosine(samples, n, 44100, k * 997.3, 0.5e-5, 0.2 * k);
      for (int m = 1; m <= 3; m++)
        add_cosine(samples, n, 44100, m * mains_hz[i], 0.5e-2, m);
      quantise(samples, n, 24, NULL);
      const rb_tone tone = analysed(n, 44100, NULL);
      for (int k = 2; k <= 10; k++) {
        assert_near(rb_db_from_ratio(tone.harmonic[k].ratio.value), -100, 0.3);
        assert_near(tone.harmonic[k].phase_deg.value, 0, 2);
      }
      assert_true(tone.mains_found);
      assert_near(tone.mains_hz.value, mains_hz[i], 1e-4);
      for (int m = 1; m <= 3; m++)
        assert_near_relative(tone.hum[m].amplitude.value, 0.5e-2, 1e-4);
      for (int m = 4; m <= 6; m++)
        assert_at_most(tone.hum[m].amplitude.value, 1e-6);
      assert_near_relative(tone.thd_n_ratio.value, sqrt(3) * 1e-2, 1e-3);
      assert_at_most(tone.noise_rms.value, 1e-6);
    }
}

static void any_other_strong_line_does_not_move_them_either(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 48000, 48000, 997.3, 0.5, 0.2);
  for (int k = 2; k <= 10; k++)
    add_cosine(samples, 48000, 48000, k * 997.3, 0.5e-5, 0.2 * k);
  add_cosine(samples, 48000, 48000, 15734.26, 0.05, 1);
  add_cosine(samples, 48000, 48000, 3210.7, 0.01, 2);
  add_cosine(samples, 48000, 48000, 1007.1, 0.001, 2);
  for (size_t j = 0; j < 48000; j++)
    samples[j] += 0.1 + 1e-7 * (double)j; // and an offset that drifts
  quantise(samples, 48000, 24, NULL);
  const rb_tone tone = analysed(48000, 48000, NULL);
  assert_near(rb_db_from_ratio(tone.amplitude.value / 0.5), 0, 0.0001);
  for (int k = 2; k <= 10; k++)
    assert_near(rb_db_from_ratio(tone.harmonic[k].ratio.value), -100, 0.3);
  const double others = 0.5 * (0.05 * 0.05 + 0.01 * 0.01 + 0.001 * 0.001);
  assert_near_relative(tone.noise_rms.value, sqrt(others), 1e-4); // lines of no name are noise
}

// A coupling capacitor still charging: the record begins with a step, which leaks everywhere.
static void an_offset_that_settles_does_not_look_like_distortion(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(9);
  silence();
  add_cosine(samples, 96000, 48000, 1000.3, 0.5, 1);
  add_cosine(samples, 96000, 48000, 2000.6, 0.5e-5, 2);
  for (size_t j = 0; j < 96000; j++)
    samples[j] += 0.2 * exp(-(double)j / 48000 / 0.1);
  add_noise(samples, 96000, 1e-6, &random);
  const rb_tone tone = analysed(96000, 48000, NULL);
  assert_near(rb_db_from_ratio(tone.harmonic[2].ratio.value), -100, 0.1);
  for (int k = 2; k <= 10; k++)
    assert_at_most(fabs(tone.harmonic[k].amplitude.value - (k == 2 ? 0.5e-5 : 0)),
                   4 * tone.harmonic[k].amplitude.uncertainty);
}

// Half a second of a bass tone whose fifth harmonic lies 1.2 bins from twice the mains.
static void hum_close_to_a_harmonic_is_told_from_it(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(10);
  silence();
  add_cosine(samples, 24000, 48000, 20.5, 0.5, 1);
  add_cosine(samples, 24000, 48000, 50.02, 0.05, 1);
  add_cosine(samples, 24000, 48000, 100.04, 0.05, 1);
  add_noise(samples, 24000, 1e-5, &random);
  const rb_tone tone = analysed(24000, 48000, NULL);
  assert_near(tone.frequency_hz.value, 20.5, 4 * tone.frequency_hz.uncertainty);
  assert_near(tone.amplitude.value, 0.5, 4 * tone.amplitude.uncertainty);
  assert_at_most(tone.harmonic[5].amplitude.value, 4 * tone.harmonic[5].amplitude.uncertainty);
  assert_near(tone.hum[2].amplitude.value, 0.05, 4 * tone.hum[2].amplitude.uncertainty);
  assert_at_most(tone.thd_ratio.value, 1e-5);
}

static void hum_is_not_read_where_it_coincides_with_the_tone(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 48000, 48000, 100, 0.5, 0.2);
  add_cosine(samples, 48000, 48000, 50, 0.01, 0.2);
  add_cosine(samples, 48000, 48000, 150, 0.02, 0.2);
  const rb_tone tone = analysed(48000, 48000, NULL);
  assert_true(tone.mains_found);
  assert_false(tone.hum[2].present || tone.hum[4].present || tone.hum[6].present);
  assert_near(tone.hum[1].amplitude.value, 0.01, 1e-8);
  assert_near(tone.hum[3].amplitude.value, 0.02, 1e-8);
}

static void a_quiet_tone_is_found_beside_louder_hum_when_it_is_expected(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(6);
  silence();
  add_cosine(samples, 48000, 48000, 1001.5, 1e-3, 0.2);
  add_cosine(samples, 48000, 48000, 100.1, 0.3, 0.2);
  add_noise(samples, 48000, 1e-5, &random);
  rb_tone_options options = rb_tone_options_default();
  options.expected_hz = 1000;
  const rb_tone tone = analysed(48000, 48000, &options);
  assert_near(tone.frequency_hz.value, 1001.5, 5 * tone.frequency_hz.uncertainty);
  assert_near(tone.amplitude.value, 1e-3, 5 * tone.amplitude.uncertainty);
}

// What is not there is not resolved 95 times in 100, and its upper bound holds.
// (1 + m·cos Ωt)·cos ωt has two lines of m/2 beside the tone (closed form): modulation m, no noise.
// 1000 Hz is a multiple of the mains frequency, where the lines meet multiples of the hum.
static void hum_that_shakes_the_tone_is_neither_noise_nor_hum(void **state)
{
  (void)state;
  enum { N = 192000 };
  static const double tones_hz[] = {997, 1000, 1000.3};
  rb_random random = rb_random_seeded(5);
  for (size_t i = 0; i < sizeof tones_hz / sizeof *tones_hz; i++) {
    silence();
    add_cosine(samples, N, 48000, tones_hz[i], 0.5, 0.4);
    add_cosine(samples, N, 48000, tones_hz[i] - 100, 0.5 * 0.0034 / 2, -0.6);
    add_cosine(samples, N, 48000, tones_hz[i] + 100, 0.5 * 0.0034 / 2, 1.4);
    add_cosine(samples, N, 48000, 100, 1e-4, 0);
    add_noise(samples, N, 1e-5, &random);
    const rb_tone tone = analysed(N, 48000, NULL);
    assert_true(tone.mains_found && tone.hum_on_tone_ratio.resolved);
    assert_near_relative(tone.hum_on_tone_ratio.value, 0.0034, 0.002);
    // White noise of 10⁻⁵ in 24 kHz has √(19980/24000) of it between 20 Hz and 20 kHz.
    assert_near_relative(tone.noise_rms.value, 1e-5 * sqrt(19980.0 / 24000), 0.03);
    assert_near_relative(tone.hum[2].amplitude.value, 1e-4, 0.01);
    // All of it still counts as "distortion and noise".
    const double sidebands = 0.0034 / 2 * sqrt(2), hum = 1e-4 / 0.5;
    assert_near_relative(tone.thd_n_ratio.value, hypot(sidebands, hum), 0.01);
  }
}

static void absent_harmonics_stay_below_their_floor(void **state)
{
  (void)state;
  size_t resolved = 0, thd = 0, total = 0;
  rb_random random = rb_random_seeded(12);
  for (int round = 0; round < 200; round++) {
    silence();
    add_cosine(samples, 4800, 48000, 997, 0.5, 0.2);
    add_noise(samples, 4800, 1e-3, &random);
    const rb_tone tone = analysed(4800, 48000, NULL);
    for (int k = 2; k <= 10; k++, total++)
      resolved += tone.harmonic[k].amplitude.resolved;
    thd += tone.thd_ratio.resolved;
    assert_true(rb_estimate_upper(&tone.harmonic[2].amplitude) >= tone.harmonic[2].amplitude.floor);
  }
  assert_near((double)resolved / (double)total, 0.05, 0.02);
  assert_near((double)thd / 200, 0.05, 0.045);
}

static void signals_without_a_tone_are_refused_in_words(void **state)
{
  (void)state;
  const rb_tone_options options = rb_tone_options_default();
  rb_tone tone;
  rb_err err = {0};
  silence();
  assert_int_equal(rb_tone_analyse(samples, 48000, 48000, &options, scratch, &tone, &err),
                   RB_NO_SIGNAL);
  assert_true(strlen(err.message) > 20);
  for (size_t j = 0; j < 48000; j++)
    samples[j] = 0.5;
  assert_int_equal(rb_tone_analyse(samples, 48000, 48000, &options, scratch, &tone, &err),
                   RB_NO_SIGNAL);
  rb_random random = rb_random_seeded(3);
  for (int round = 0; round < 20; round++) {
    silence();
    add_noise(samples, 24000, 0.1, &random);
    assert_int_equal(rb_tone_analyse(samples, 24000, 48000, &options, scratch, &tone, &err),
                     RB_NO_SIGNAL);
  }
  silence();
  add_cosine(samples, 48000, 48000, 440, 0.5, 0);
  rb_tone_options elsewhere = options;
  elsewhere.expected_hz = 1000;
  assert_int_equal(rb_tone_analyse(samples, 48000, 48000, &elsewhere, scratch, &tone, &err),
                   RB_NO_SIGNAL);
  assert_non_null(strstr(err.message, "1000 Hz"));
  assert_int_equal(rb_tone_analyse(samples, 100, 48000, &options, scratch, &tone, &err),
                   RB_BAD_ARG);
  assert_int_equal(rb_tone_analyse(samples, 48000, -1, &options, scratch, &tone, &err), RB_BAD_ARG);
  assert_int_equal(rb_tone_analyse(samples, 48000, NAN, &options, scratch, &tone, &err),
                   RB_BAD_ARG);
  samples[17] = NAN;
  assert_int_equal(rb_tone_analyse(samples, 48000, 48000, &options, scratch, &tone, &err),
                   RB_BAD_ARG);
  assert_non_null(strstr(err.message, "17"));
  assert_int_equal(rb_arena_bytes(scratch), 0);
}

static void memory_that_runs_out_is_said(void **state)
{
  (void)state;
  silence();
  add_cosine(samples, 48000, 48000, 440, 0.5, 0);
  const rb_tone_options options = rb_tone_options_default();
  for (size_t limit = 100000; limit < 1000000; limit += 300000) {
    rb_arena *small = rb_arena_new(limit);
    assert_non_null(small);
    rb_tone tone;
    rb_err err = {0};
    assert_int_equal(rb_tone_analyse(samples, 48000, 48000, &options, small, &tone, &err),
                     RB_NO_MEM);
    assert_int_equal(rb_arena_bytes(small), 0);
    rb_arena_free(small);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_worked_sine_fit_comes_out),
      cmocka_unit_test(a_24_bit_tone_is_read_within_its_limits_at_every_rate),
      cmocka_unit_test(classical_waves_have_their_distortion),
      cmocka_unit_test(polynomials_give_their_harmonics_with_sign),
      cmocka_unit_test(clipped_sines_have_their_odd_harmonics_with_sign),
      cmocka_unit_test(folded_lines_count_as_distortion_and_noise),
      cmocka_unit_test(a_clipped_kilohertz_at_48_kilohertz_folds_onto_its_own_harmonics),
      cmocka_unit_test(a_dead_zone_has_negative_third_harmonic),
      cmocka_unit_test(a_rectified_sine_has_even_harmonics_at_180_degrees),
      cmocka_unit_test(the_worked_sum_comes_out),
      cmocka_unit_test(pure_second_harmonic_is_read_in_full),
      cmocka_unit_test(the_twentieth_harmonic_of_a_kilohertz_is_in_the_band),
      cmocka_unit_test(harmonics_beyond_the_band_or_nyquist_are_not_summed),
      cmocka_unit_test(quantised_sines_have_their_signal_to_noise_ratio),
      cmocka_unit_test(strong_mains_lines_do_not_move_the_harmonics),
      cmocka_unit_test(any_other_strong_line_does_not_move_them_either),
      cmocka_unit_test(an_offset_that_settles_does_not_look_like_distortion),
      cmocka_unit_test(hum_close_to_a_harmonic_is_told_from_it),
      cmocka_unit_test(hum_is_not_read_where_it_coincides_with_the_tone),
      cmocka_unit_test(a_quiet_tone_is_found_beside_louder_hum_when_it_is_expected),
      cmocka_unit_test(hum_that_shakes_the_tone_is_neither_noise_nor_hum),
      cmocka_unit_test(absent_harmonics_stay_below_their_floor),
      cmocka_unit_test(signals_without_a_tone_are_refused_in_words),
      cmocka_unit_test(memory_that_runs_out_is_said),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
