// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/rig/file.h"
#include "rollbook/runner/runner.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/// Recordings made here, written as files, and read back by the whole of `analyze`.

typedef struct answer {
  rb_status status;
  rb_err err;
  rb_capture capture;
  rb_results results;
} answer;

static answer analysed(rb_arena *arena, const rb_capture *recording, rb_file_width width,
                       const rb_signal *signal, double tone_hz, const rb_bench *bench)
{
  char path[] = "/tmp/rollbook-take-XXXXXX.wav";
  const int descriptor = mkstemps(path, 4);
  assert_true(descriptor >= 0);
  close(descriptor);
  assert_int_equal(rb_file_save(path, recording, width, NULL), RB_OK);
  answer a = {.results = rb_results_in(arena)};
  a.status =
      rb_runner_analyse_file(path, signal, tone_hz, bench, arena, &a.capture, &a.results, &a.err);
  unlink(path);
  if (a.status != RB_OK)
    assert_non_null(strstr(a.err.message, path));
  return a;
}

static double value_of(const answer *a, const char *key, rb_channel channel)
{
  const rb_reading *found = rb_results_find(&a->results, key, channel, "");
  if (!found)
    print_error("no reading %s\n", key);
  assert_non_null(found);
  return found->value;
}

// Frames of a sine with a second harmonic 60 dB below, as a recorder would give them.
static rb_capture sine(rb_arena *arena, unsigned n_channels, double duration_s, double tone_hz)
{
  const size_t n = (size_t)(duration_s * 44100);
  rb_capture take = {.frames = rb_arena_alloc(arena, n * n_channels, sizeof(float)),
                     .n_frames = n,
                     .n_channels = n_channels,
                     .rate_hz = 44100};
  rb_random random = rb_random_seeded(5);
  for (size_t i = 0; i < n * n_channels; i++) {
    const double u = 2 * RB_PI * tone_hz * (double)(i / n_channels) / 44100;
    take.frames[i] = (float)(0.5 * cos(u) + 0.5e-3 * cos(2 * u) + 1e-6 * rb_random_normal(&random));
  }
  return take;
}

static void a_plain_tone_is_read_from_a_mono_file_as_left(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_capture take = sine(arena, 1, 3, 1000.4);
  const answer a = analysed(arena, &take, RB_FILE_PCM_24, NULL, 1000, NULL);
  assert_int_equal(a.status, RB_OK);
  assert_int_equal(a.capture.n_channels, 1);
  assert_true(a.capture.health.usable);
  assert_near(value_of(&a, "freq", RB_LEFT), 1000.4, 1e-4);
  assert_near(value_of(&a, "level", RB_LEFT), 20 * log10(0.5), 1e-4);
  assert_near(value_of(&a, "h2", RB_LEFT), -60, 0.01);
  assert_string_equal(a.results.readings[0].condition, "1000 Hz");
  assert_null(rb_results_find(&a.results, "level", RB_RIGHT, ""));
  rb_arena_free(arena);
}

static void a_calibrated_bench_turns_the_file_into_volts(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_bench bench = rb_bench_default();
  const rb_capture take = sine(arena, 2, 2, 1000);
  bench.load_vrms_per_fs[0] = 30;
  bench.load_vrms_per_fs[1] = 20;
  answer a = analysed(arena, &take, RB_FILE_FLOAT_32, NULL, 1000, &bench);
  assert_near(value_of(&a, "level", RB_LEFT), 20 * log10(0.5), 1e-4); // not calibrated
  bench.calibrated = true;
  a = analysed(arena, &take, RB_FILE_FLOAT_32, NULL, 1000, &bench);
  assert_near(value_of(&a, "level", RB_LEFT), 15, 1e-3);
  assert_near(value_of(&a, "level", RB_RIGHT), 10, 1e-3);
  rb_arena_free(arena);
}

static void another_tone_than_asked_is_no_signal(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_capture take = sine(arena, 1, 2, 1500);
  const answer a = analysed(arena, &take, RB_FILE_PCM_24, NULL, 1000, NULL);
  assert_int_equal(a.status, RB_NO_SIGNAL);
  assert_int_equal(a.results.n_readings, 0);
  assert_non_null(a.capture.frames);
  assert_false(a.capture.health.usable);
  rb_arena_free(arena);
}

static void clipping_and_lost_frames_make_a_file_unusable(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_capture take = sine(arena, 2, 2, 1000);
  for (size_t i = 0; i < 2 * take.n_frames; i++)
    take.frames[i] = fminf(fmaxf(2.5f * take.frames[i], -1), 1);
  answer a = analysed(arena, &take, RB_FILE_FLOAT_32, NULL, 1000, NULL);
  assert_int_equal(a.status, RB_CLIPPED);
  assert_true(a.capture.health.clipped_frames > 1000);
  take = sine(arena, 2, 2, 1000);
  memmove(take.frames + 80000, take.frames + 80000 + (size_t)2 * 25,
          (2 * take.n_frames - 80000 - 50) * sizeof(float));
  a = analysed(arena, &take, RB_FILE_FLOAT_32, NULL, 1000, NULL);
  assert_int_equal(a.status, RB_LOST_FRAMES);
  assert_true(a.capture.health.lost_frames > 0);
  assert_int_equal(a.results.n_readings, 0);
  rb_arena_free(arena);
}

// A signal with its markers, as `signal NAME out.wav` writes it, with `before_s` of a recorder's
// own silence around.
static rb_capture framed(rb_arena *arena, const rb_signal *signal, double before_s)
{
  const double peak[2] = {0.5, 0.5};
  const rb_procedure *procedure = rb_procedure_find(signal->procedure);
  rb_stimulus stimulus;
  assert_int_equal(procedure->plan(signal, RB_BOTH, 48000, arena, &stimulus, NULL), RB_OK);
  const rb_framing f = rb_framing_for(stimulus.n_frames, 48000, before_s, before_s);
  rb_capture take = {.frames = rb_arena_alloc(arena, 2 * f.n_frames, sizeof(float)),
                     .n_frames = f.n_frames,
                     .n_channels = 2,
                     .rate_hz = 48000};
  assert_int_equal(rb_framing_render(&f, &stimulus, peak, peak, arena, take.frames), RB_OK);
  rb_random random = rb_random_seeded(9);
  for (size_t i = 0; i < 2 * take.n_frames; i++)
    take.frames[i] += (float)(1e-5 * rb_random_normal(&random));
  return take;
}

static void a_signal_is_cut_out_of_a_recording_by_its_markers(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_signal signal = rb_signal_made("tone-test", "Tone", "tone");
  assert_int_equal(rb_signal_set(&signal, "duration_s", 2), RB_OK);
  const rb_capture take = framed(arena, &signal, 3.3);
  const answer a = analysed(arena, &take, RB_FILE_PCM_24, &signal, 0, NULL);
  assert_int_equal(a.status, RB_OK);
  assert_true(a.capture.n_frames < take.n_frames - (size_t)6 * 48000);
  assert_near(value_of(&a, "level", RB_RIGHT), 20 * log10(0.5), 1e-4);
  assert_string_equal(a.results.readings[0].condition, "tone-test");
  rb_arena_free(arena);
}

static void frames_missing_between_the_markers_are_counted(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_signal signal = rb_signal_made("tone-test", "Tone", "tone");
  rb_capture take = framed(arena, &signal, 0.5);
  float *gap = take.frames + 2 * take.n_frames / 4 * 2; // 48 frames: a whole period of 1 kHz
  const size_t behind = 2 * take.n_frames - (size_t)(gap - take.frames) - (size_t)2 * 48;
  memmove(gap, gap + (size_t)2 * 48, behind * sizeof(float));
  take.n_frames -= 48;
  const answer a = analysed(arena, &take, RB_FILE_PCM_24, &signal, 0, NULL);
  assert_int_equal(a.status, RB_LOST_FRAMES);
  assert_int_equal(a.capture.health.lost_frames, 48);
  assert_non_null(strstr(a.err.message, "48 frames are missing"));
  rb_arena_free(arena);
}

static void a_file_that_is_none_is_refused_with_its_name(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_capture capture;
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  assert_int_equal(rb_runner_analyse_file("/tmp/no such file.wav", NULL, 1000, NULL, arena,
                                          &capture, &results, &err),
                   RB_NOT_FOUND);
  assert_non_null(strstr(err.message, "/tmp/no such file.wav"));
  assert_null(capture.frames);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_plain_tone_is_read_from_a_mono_file_as_left),
      cmocka_unit_test(a_calibrated_bench_turns_the_file_into_volts),
      cmocka_unit_test(another_tone_than_asked_is_no_signal),
      cmocka_unit_test(clipping_and_lost_frames_make_a_file_unusable),
      cmocka_unit_test(a_signal_is_cut_out_of_a_recording_by_its_markers),
      cmocka_unit_test(frames_missing_between_the_markers_are_counted),
      cmocka_unit_test(a_file_that_is_none_is_refused_with_its_name),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
