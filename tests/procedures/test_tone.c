// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/// A device between play and capture whose harmonics are known in closed form: for x = A·cos u the
/// polynomial x + a2·x² + a3·x³ has H1 = A + ¾·a3·A³, H2 = ½·a2·A², H3 = ¼·a3·A³ (power reduction
/// of cos² and cos³), all in phase with u where their coefficient is positive.
typedef struct device {
  double gain[2], a2, a3;
  double noise_rms, hum_peak;
  double leak; // of left into right and right into left
} device;

typedef struct bench_trip {
  rb_arena *arena;
  rb_signal signal;
  rb_stimulus stimulus;
  rb_capture capture;
  rb_analysis analysis;
  rb_results results;
  rb_err err;
} bench_trip;

static double bent(const device *d, double x)
{
  return x + d->a2 * x * x + d->a3 * x * x * x;
}

static bench_trip through(const device *d, double peak, rb_channel drive, double frequency_hz)
{
  bench_trip t = {.arena = rb_arena_new(0), .signal = rb_signal_made("tone", "Tone", "tone")};
  assert_int_equal(rb_signal_set(&t.signal, "frequency_hz", frequency_hz), RB_OK);
  assert_int_equal(rb_signal_set(&t.signal, "duration_s", 2), RB_OK);
  const rb_procedure *tone = rb_procedure_find("tone");
  assert_int_equal(tone->plan(&t.signal, drive, 48000, t.arena, &t.stimulus, NULL), RB_OK);
  const size_t n = t.stimulus.n_frames;
  t.capture = (rb_capture){.frames = rb_arena_alloc(t.arena, 2 * n, sizeof(float)),
                           .n_frames = n,
                           .n_channels = 2,
                           .rate_hz = 48000};
  rb_random random = rb_random_seeded(3);
  for (size_t i = 0; i < n; i++) {
    const double left = bent(d, peak * t.stimulus.left[i]);
    const double right = bent(d, peak * t.stimulus.right[i]);
    const double hum = d->hum_peak * sin(2 * RB_PI * 100.03 * (double)i / 48000);
    t.capture.frames[2 * i] = (float)(d->gain[0] * (left + d->leak * right) + hum +
                                      d->noise_rms * rb_random_normal(&random));
    t.capture.frames[2 * i + 1] = (float)(d->gain[1] * (right + d->leak * left) + hum +
                                          d->noise_rms * rb_random_normal(&random));
  }
  t.analysis =
      (rb_analysis){.condition = "tone 1 W",
                    .drive = drive,
                    .load_ohm = 8,
                    .drive_peak_fs = {drive == RB_RIGHT ? 0 : peak, drive == RB_LEFT ? 0 : peak}};
  t.results = rb_results_in(t.arena);
  return t;
}

// The trip's own addresses change when it is returned by value, so they are set here.
static rb_status analysed(bench_trip *t)
{
  t->analysis.signal = &t->signal;
  t->analysis.played = &t->stimulus;
  return rb_procedure_find("tone")->analyse(&t->analysis, &t->capture, &t->results, &t->err);
}

static const rb_reading *reading(const bench_trip *t, const char *key, rb_channel channel)
{
  const rb_reading *found = rb_results_find(&t->results, key, channel, "tone 1 W");
  if (!found)
    print_error("no reading %s %s\n", key, rb_channel_name(channel));
  assert_non_null(found);
  return found;
}

static const device polynomial = {.gain = {1, 1}, .a2 = 0.02, .a3 = -0.01, .noise_rms = 1e-6};

static void harmonics_come_out_as_the_closed_form_says(void **state)
{
  (void)state;
  bench_trip t = through(&polynomial, 0.5, RB_BOTH, 997);
  assert_int_equal(analysed(&t), RB_OK);
  const double h1 = 0.5 - 0.75 * 0.01 * 0.125, h2 = 0.5 * 0.02 * 0.25, h3 = 0.25 * 0.01 * 0.125;
  for (unsigned c = 0; c < 2; c++) {
    const rb_channel channel = (rb_channel)c;
    assert_near(reading(&t, "level", channel)->value, 20 * log10(h1), 1e-4);
    assert_string_equal(reading(&t, "level", channel)->unit, "dBFS");
    assert_near(reading(&t, "freq", channel)->value, 997, 1e-4);
    assert_near(reading(&t, "gain", channel)->value, 20 * log10(h1 / 0.5), 1e-4);
    assert_string_equal(reading(&t, "gain", channel)->unit, "dB");
    assert_near(reading(&t, "h2", channel)->value, 20 * log10(h2 / h1), 0.002);
    assert_near(reading(&t, "h3", channel)->value, 20 * log10(h3 / h1), 0.005);
    assert_near(reading(&t, "h2_phase", channel)->value, 0, 0.05);
    assert_near(fabs(reading(&t, "h3_phase", channel)->value), 180, 0.1);
    assert_near(reading(&t, "h2_signed", channel)->value, 100 * h2 / h1, 0.001);
    assert_near(reading(&t, "even_sum", channel)->value, 100 * h2 / h1, 0.001);
    assert_near(reading(&t, "odd_sum", channel)->value, 100 * h3 / h1, 0.001);
    assert_near(reading(&t, "thd", channel)->value, 100 * hypot(h2, h3) / h1, 0.001);
    assert_near(reading(&t, "thd_n", channel)->value, 100 * hypot(h2, h3) / h1, 0.001);
    assert_true(reading(&t, "h2", channel)->resolved);
    assert_false(reading(&t, "h7", channel)->resolved);
    assert_true(reading(&t, "h7", channel)->value >= reading(&t, "h7", channel)->floor);
    const rb_curve *spectrum = rb_results_find_curve(&t.results, "spectrum", channel, "tone 1 W");
    assert_non_null(spectrum);
    assert_string_equal(spectrum->y_unit, "dBFS");
  }
  rb_arena_free(t.arena);
}

static void a_calibrated_bench_reads_volts_at_the_load(void **state)
{
  (void)state;
  const device clean = {.gain = {0.5, 0.25}, .noise_rms = 1e-5, .hum_peak = 1e-3};
  bench_trip t = through(&clean, 0.5, RB_BOTH, 997);
  t.analysis.load_vrms_per_fs[0] = t.analysis.load_vrms_per_fs[1] = 40;
  t.analysis.drive_vrms[0] = 0.5; // the card plays 0.5 V rms; right is not known
  t.analysis.mains_hz = 50;
  assert_int_equal(analysed(&t), RB_OK);
  assert_near(reading(&t, "level", RB_LEFT)->value, 0.25 * 40, 0.001);
  assert_near(reading(&t, "level", RB_RIGHT)->value, 0.125 * 40, 0.001);
  assert_string_equal(reading(&t, "level", RB_LEFT)->unit, "V");
  assert_near(reading(&t, "gain", RB_LEFT)->value, 20 * log10(10 / 0.5), 0.001);
  assert_string_equal(reading(&t, "gain", RB_LEFT)->unit, "dB");
  assert_near(reading(&t, "gain", RB_RIGHT)->value, 20 * log10(5 / 0.5), 0.001);
  assert_string_equal(reading(&t, "gain", RB_RIGHT)->unit, "dBV/FS");
  // White noise of rms s in half the rate of 24 kHz has s·√(19980/24000) in 20 Hz … 20 kHz.
  const double noise_v = 1e-5 * sqrt(19980.0 / 24000) * sqrt(2) * 40;
  assert_near_relative(reading(&t, "noise", RB_LEFT)->value, noise_v, 0.02);
  assert_string_equal(reading(&t, "noise", RB_LEFT)->unit, "V");
  assert_near_relative(reading(&t, "hum_2x", RB_LEFT)->value, 1e-3 * 40, 0.01);
  assert_near(reading(&t, "mains_freq", RB_LEFT)->value, 50.015, 0.01);
  rb_arena_free(t.arena);
}

static void a_bench_that_turns_the_wave_over_is_turned_back(void **state)
{
  (void)state;
  device turned = polynomial;
  turned.gain[0] = turned.gain[1] = -1;
  bench_trip t = through(&turned, 0.5, RB_BOTH, 997);
  t.analysis.polarity[0] = -1;
  t.analysis.polarity[1] = 1;
  assert_int_equal(analysed(&t), RB_OK);
  assert_true(reading(&t, "h2_signed", RB_LEFT)->value > 0.4);
  assert_true(reading(&t, "h2_signed", RB_RIGHT)->value < -0.4);
  assert_near(reading(&t, "h2_phase", RB_LEFT)->value, 0, 0.05);
  assert_near(fabs(reading(&t, "h2_phase", RB_RIGHT)->value), 180, 0.05);
  assert_near(fabs(reading(&t, "h3_phase", RB_LEFT)->value), 180, 0.1);
  assert_near(fabs(reading(&t, "h3_phase", RB_RIGHT)->value), 180, 0.1);
  rb_arena_free(t.arena);
}

// H2 of the polynomial at a peak of 0.5 is −46 dB.
static void a_reading_under_the_bench_s_own_floor_is_a_bound(void **state)
{
  (void)state;
  const rb_reading floors[] = {
      {.key = "h2", .channel = RB_LEFT, .condition = "tone 1 W", .value = -38, .unit = "dB"},
      {.key = "h2_signed", .channel = RB_LEFT, .condition = "tone 1 W", .value = -2, .unit = "%"},
      {.key = "thd", .channel = RB_LEFT, .condition = "tone 1 W", .value = 0.1, .unit = "%"},
      {.key = "thd", .channel = RB_RIGHT, .condition = "tone 5 W", .value = 9, .unit = "%"},
  };
  bench_trip t = through(&polynomial, 0.5, RB_BOTH, 997);
  t.analysis.bench_floors = floors;
  t.analysis.n_bench_floors = sizeof floors / sizeof floors[0];
  assert_int_equal(analysed(&t), RB_OK);
  assert_false(reading(&t, "h2", RB_LEFT)->resolved);
  assert_near(reading(&t, "h2", RB_LEFT)->floor, -38, 1e-9);
  assert_near(reading(&t, "h2", RB_LEFT)->value, -38, 1e-9);
  assert_false(reading(&t, "h2_signed", RB_LEFT)->resolved);
  assert_near(reading(&t, "h2_signed", RB_LEFT)->value, 2, 1e-9);
  assert_true(reading(&t, "thd", RB_LEFT)->resolved);
  assert_near(reading(&t, "thd", RB_LEFT)->floor, 0.1, 1e-9);
  assert_true(reading(&t, "h2", RB_RIGHT)->resolved);
  assert_true(reading(&t, "thd", RB_RIGHT)->resolved); // another condition
  rb_arena_free(t.arena);
}

static void a_tone_without_noise_is_read_no_finer_than_its_frames_are_rounded(void **state)
{
  (void)state;
  const device nothing = {.gain = {1, 1}};
  bench_trip t = through(&nothing, 0.3, RB_BOTH, 1000);
  assert_int_equal(analysed(&t), RB_OK);
  for (unsigned n = 2; n <= 10; n++) {
    char key[8];
    snprintf(key, sizeof key, "h%u", n);
    assert_false(reading(&t, key, RB_LEFT)->resolved);
    assert_near(reading(&t, key, RB_LEFT)->floor, 20 * log10(0x1p-25), 1e-6); // −150.5 dB
    assert_at_most(reading(&t, key, RB_LEFT)->value, -140);
  }
  assert_near(reading(&t, "level", RB_LEFT)->value, 20 * log10(0.3), 1e-6);
  rb_arena_free(t.arena);
}

static void the_channel_not_driven_tells_the_separation(void **state)
{
  (void)state;
  const device leaky = {.gain = {1, 1}, .noise_rms = 1e-6, .leak = 1e-3};
  bench_trip t = through(&leaky, 0.5, RB_LEFT, 997);
  assert_int_equal(analysed(&t), RB_OK);
  assert_near(reading(&t, "separation", RB_RIGHT)->value, 60, 0.02);
  assert_null(rb_results_find(&t.results, "thd", RB_RIGHT, ""));
  assert_non_null(rb_results_find(&t.results, "thd", RB_LEFT, ""));
  rb_arena_free(t.arena);
}

static void assert_refused(bench_trip *t, rb_status status, const char *word)
{
  assert_int_equal(analysed(t), status);
  if (!strstr(t->err.message, word))
    print_error("said '%s'\n", t->err.message);
  assert_non_null(strstr(t->err.message, word));
  assert_false(t->capture.health.usable);
  assert_int_equal(t->results.n_readings, 0);
  assert_int_equal(t->results.n_curves, 0);
}

static void a_clipped_capture_gives_no_readings(void **state)
{
  (void)state;
  bench_trip t = through(&polynomial, 0.9, RB_BOTH, 997);
  for (size_t i = 0; i < t.capture.n_frames; i++)
    t.capture.frames[2 * i + 1] = fminf(fmaxf(1.2f * t.capture.frames[2 * i + 1], -1), 1);
  assert_refused(&t, RB_CLIPPED, "The right channel clipped");
  assert_true(t.capture.health.clipped_frames > 1000);
  rb_arena_free(t.arena);
}

static void lost_frames_give_no_readings(void **state)
{
  (void)state;
  bench_trip t = through(&polynomial, 0.5, RB_BOTH, 997);
  float *gap = t.capture.frames + (size_t)2 * 60000;
  memmove(gap, gap + (size_t)2 * 64, (t.capture.n_frames - 60000 - 64) * 2 * sizeof(float));
  assert_refused(&t, RB_LOST_FRAMES, "left channel breaks off");
  assert_true(t.capture.health.discontinuities >= 1);
  rb_arena_free(t.arena);
}

static void a_driven_channel_without_the_tone_is_an_error(void **state)
{
  (void)state;
  const device deaf = {.gain = {1, 0}, .noise_rms = 1e-5};
  bench_trip t = through(&deaf, 0.5, RB_BOTH, 997);
  assert_int_equal(analysed(&t), RB_NO_SIGNAL);
  assert_non_null(strstr(t.err.message, "right channel"));
  assert_int_equal(t.results.n_readings, 0);
  rb_arena_free(t.arena);
}

static void a_file_from_outside_may_hold_one_channel_and_silence_around(void **state)
{
  (void)state;
  const device deaf = {.gain = {1, 0}, .a2 = 0.02, .noise_rms = 1e-6};
  bench_trip t = through(&deaf, 0.5, RB_BOTH, 997);
  for (size_t i = 0; i < t.capture.n_frames; i++) // the first 0.4 s and the last 0.3 s
    if (i < 19200 || i >= t.capture.n_frames - 14400)
      t.capture.frames[2 * i] = 1e-6f * (float)(i % 7);
  t.analysis.signal = &t.signal;
  assert_int_equal(rb_procedure_find("tone")->analyse(&t.analysis, &t.capture, &t.results, &t.err),
                   RB_OK);
  assert_near(reading(&t, "level", RB_LEFT)->value, 20 * log10(0.5), 1e-3);
  assert_near(reading(&t, "h2", RB_LEFT)->value, 20 * log10(0.5 * 0.02 * 0.5), 0.002);
  assert_null(rb_results_find(&t.results, "level", RB_RIGHT, ""));
  rb_arena_free(t.arena);
}

static void a_rate_too_low_for_the_tone_is_refused(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_signal signal = rb_signal_made("high", "High", "tone");
  rb_stimulus stimulus;
  rb_err err = {0};
  assert_int_equal(rb_signal_set(&signal, "frequency_hz", 30000), RB_OK);
  const rb_procedure *tone = rb_procedure_find("tone");
  assert_int_equal(tone->plan(&signal, RB_BOTH, 48000, arena, &stimulus, &err), RB_UNSUPPORTED);
  assert_non_null(strstr(err.message, "needs a sample rate of at least 66667 Hz"));
  assert_int_equal(tone->plan(&signal, RB_BOTH, 96000, arena, &stimulus, &err), RB_OK);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(harmonics_come_out_as_the_closed_form_says),
      cmocka_unit_test(a_calibrated_bench_reads_volts_at_the_load),
      cmocka_unit_test(a_bench_that_turns_the_wave_over_is_turned_back),
      cmocka_unit_test(a_reading_under_the_bench_s_own_floor_is_a_bound),
      cmocka_unit_test(a_tone_without_noise_is_read_no_finer_than_its_frames_are_rounded),
      cmocka_unit_test(the_channel_not_driven_tells_the_separation),
      cmocka_unit_test(a_clipped_capture_gives_no_readings),
      cmocka_unit_test(lost_frames_give_no_readings),
      cmocka_unit_test(a_driven_channel_without_the_tone_is_an_error),
      cmocka_unit_test(a_file_from_outside_may_hold_one_channel_and_silence_around),
      cmocka_unit_test(a_rate_too_low_for_the_tone_is_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
