// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>
#include <string.h>

static const double RATE_HZ = 48000, VOLTS_PER_FS = 20;

/// Ten seconds of noise with hum and three pops on the left channel, noise alone on the right.
static rb_capture silence(rb_arena *arena)
{
  rb_random random = rb_random_seeded(3);
  rb_capture capture = {.n_frames = 480960, .n_channels = 2, .rate_hz = RATE_HZ};
  capture.frames = rb_arena_alloc(arena, 2 * capture.n_frames, sizeof(float));
  for (size_t i = 0; i < capture.n_frames; i++) {
    const double turns = 49.98 * (double)i / RATE_HZ;
    const double hum = 3e-4 * sin(2 * RB_PI * turns) + 1e-3 * sin(2 * RB_PI * 2 * turns) +
                       1e-4 * sin(2 * RB_PI * 3 * turns);
    const bool pop = i == 100000 || i == 200000 || i == 300000;
    capture.frames[2 * i] = (float)(hum + 1e-5 * rb_random_normal(&random) + (pop ? 2e-3 : 0));
    capture.frames[2 * i + 1] = (float)(1e-5 * rb_random_normal(&random));
  }
  return capture;
}

static rb_results analysed(rb_capture *capture, const rb_reading *floors, size_t n_floors,
                           rb_arena *arena)
{
  const rb_signal signal = rb_signal_made("silence", "Noise", "noise");
  const rb_analysis analysis = {.signal = &signal,
                                .condition = "silence",
                                .drive = RB_BOTH,
                                .load_vrms_per_fs = {VOLTS_PER_FS, VOLTS_PER_FS},
                                .bench_floors = floors,
                                .n_bench_floors = n_floors};
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  assert_int_equal(rb_procedure_find("noise")->analyse(&analysis, capture, &results, &err), RB_OK);
  return results;
}

static const rb_reading *reading(const rb_results *results, const char *key, rb_channel channel)
{
  const rb_reading *found = rb_results_find(results, key, channel, "silence");
  assert_non_null(found);
  return found;
}

static void hum_noise_and_pops_are_volts_at_the_load(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_capture capture = silence(arena);
  const rb_results results = analysed(&capture, NULL, 0, arena);
  assert_true(capture.health.usable);
  assert_near(reading(&results, "mains_freq", RB_LEFT)->value, 49.98, 0.0005);
  assert_near_relative(reading(&results, "hum_1x", RB_LEFT)->value, 3e-4 * VOLTS_PER_FS, 0.01);
  assert_near_relative(reading(&results, "hum_2x", RB_LEFT)->value, 1e-3 * VOLTS_PER_FS, 0.01);
  assert_near_relative(reading(&results, "hum_even", RB_LEFT)->value, 1e-3 * VOLTS_PER_FS, 0.01);
  assert_near_relative(reading(&results, "hum_odd", RB_LEFT)->value,
                       hypot(3e-4, 1e-4) * VOLTS_PER_FS, 0.01);
  assert_false(reading(&results, "hum_4x", RB_LEFT)->resolved);
  const double noise_v = 1e-5 * sqrt(2 * 19980 / 24000.0) * VOLTS_PER_FS;
  assert_near_relative(reading(&results, "noise", RB_RIGHT)->value, noise_v, 0.01);
  assert_near_relative(reading(&results, "noise_a", RB_RIGHT)->value,
                       noise_v * rb_ratio_from_db(-2.0483), 0.02);
  assert_string_equal(reading(&results, "noise", RB_RIGHT)->unit, "V");
  assert_near_relative(reading(&results, "crackle_rate", RB_LEFT)->value, 3 * 60 / 9.5, 0.05);
  assert_near_relative(reading(&results, "pop_peak", RB_LEFT)->value, 2e-3 * VOLTS_PER_FS, 0.1);
  assert_false(reading(&results, "crackle_rate", RB_RIGHT)->resolved);
  assert_null(rb_results_find(&results, "mains_freq", RB_RIGHT, ""));
  const rb_curve *spectrum = rb_results_find_curve(&results, "noise_spectrum", RB_RIGHT, "silence");
  assert_non_null(spectrum);
  assert_near(spectrum->y[spectrum->n - 1],
              rb_db_from_power(pow(1e-5 * sqrt(2) * VOLTS_PER_FS, 2) / 24000), 0.5);
  rb_arena_free(arena);
}

static void what_the_bench_itself_adds_bounds_the_reading(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_capture capture = silence(arena);
  const rb_reading floor = {.key = "noise",
                            .channel = RB_RIGHT,
                            .condition = "silence",
                            .value = 1,
                            .unit = "V",
                            .resolved = true};
  const rb_results results = analysed(&capture, &floor, 1, arena);
  assert_false(reading(&results, "noise", RB_RIGHT)->resolved);
  assert_near(reading(&results, "noise", RB_RIGHT)->value, 1, 1e-9);
  assert_true(reading(&results, "noise", RB_LEFT)->resolved);
  rb_arena_free(arena);
}

static void a_scrap_is_refused_with_words(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_capture capture = silence(arena);
  capture.n_frames = 20000;
  const rb_signal signal = rb_signal_made("silence", "Noise", "noise");
  const rb_analysis analysis = {.signal = &signal, .condition = "silence", .drive = RB_BOTH};
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  assert_int_equal(rb_procedure_find("noise")->analyse(&analysis, &capture, &results, &err),
                   RB_NO_SIGNAL);
  assert_non_null(strstr(err.message, "at least 1 s"));
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(hum_noise_and_pops_are_volts_at_the_load),
      cmocka_unit_test(what_the_bench_itself_adds_bounds_the_reading),
      cmocka_unit_test(a_scrap_is_refused_with_words),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
