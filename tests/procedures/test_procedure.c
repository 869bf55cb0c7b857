// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>
#include <string.h>

/// What holds for every procedure, whatever it measures. A new row is tested by being there.

static rb_signal defaults_of(const rb_procedure *procedure)
{
  return rb_signal_made("test", "Test", procedure->name);
}

static void every_row_can_be_found_and_says_what_it_is(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_procedure *const *rows = rb_procedures(&n);
  assert_true(n >= 1);
  for (size_t i = 0; i < n; i++) {
    assert_ptr_equal(rb_procedure_find(rows[i]->name), rows[i]);
    assert_true(strlen(rows[i]->title) > 3 && strlen(rows[i]->summary) > 10);
    assert_non_null(rows[i]->plan);
    assert_non_null(rows[i]->analyse);
  }
  assert_null(rb_procedure_find("nothing"));
}

static void every_fallback_lies_in_its_range(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_procedure *const *rows = rb_procedures(&n);
  for (size_t i = 0; i < n; i++)
    for (size_t k = 0; k < rows[i]->n_parameters; k++) {
      const rb_parameter *p = &rows[i]->parameters[k];
      assert_true(p->lowest <= p->fallback && p->fallback <= p->highest);
      assert_true(strlen(p->name) < sizeof((rb_setting *)0)->name && strlen(p->help) > 3);
    }
}

static void settings_outside_the_table_are_refused(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_procedure *const *rows = rb_procedures(&n);
  for (size_t i = 0; i < n; i++) {
    rb_signal signal = defaults_of(rows[i]);
    const rb_procedure *found = NULL;
    rb_err err = {0};
    assert_int_equal(rb_procedure_for(&signal, &found, &err), RB_OK);
    assert_int_equal(rb_signal_set(&signal, "volume", 11), RB_OK);
    assert_int_equal(rb_procedure_for(&signal, &found, &err), RB_FORMAT);
    assert_non_null(strstr(err.message, "not 'volume'"));
    if (!rows[i]->n_parameters)
      continue;
    signal = defaults_of(rows[i]);
    const rb_parameter *p = &rows[i]->parameters[0];
    assert_int_equal(rb_signal_set(&signal, p->name, 2 * fabs(p->highest) + 1), RB_OK);
    assert_int_equal(rb_procedure_for(&signal, &found, &err), RB_FORMAT);
    assert_non_null(strstr(err.message, "is outside"));
  }
  rb_signal signal = rb_signal_made("x", "X", "dance");
  const rb_procedure *found = NULL;
  rb_err err = {0};
  assert_int_equal(rb_procedure_for(&signal, &found, &err), RB_FORMAT);
  assert_non_null(strstr(err.message, "no procedure 'dance'. There are: tone"));
}

static double peak_of(const double *samples, size_t n)
{
  double peak = 0;
  for (size_t i = 0; i < n; i++)
    peak = fmax(peak, isfinite(samples[i]) ? fabs(samples[i]) : HUGE_VAL);
  return peak;
}

static void every_plan_stays_within_full_scale_and_its_channels(void **state)
{
  (void)state;
  static const double rates_hz[] = {44100, 48000, 96000};
  size_t n = 0;
  const rb_procedure *const *rows = rb_procedures(&n);
  for (size_t i = 0; i < 3 * n; i++) {
    rb_arena *arena = rb_arena_new(0);
    const rb_procedure *row = rows[i / 3];
    const rb_signal signal = defaults_of(row);
    rb_stimulus both, left;
    assert_int_equal(row->plan(&signal, RB_BOTH, rates_hz[i % 3], arena, &both, NULL), RB_OK);
    assert_int_equal(row->plan(&signal, RB_LEFT, rates_hz[i % 3], arena, &left, NULL), RB_OK);
    assert_near(both.rate_hz, rates_hz[i % 3], 0);
    assert_true(both.n_frames > 0);
    assert_at_most(peak_of(both.left, both.n_frames), 1);
    assert_at_most(peak_of(both.right, both.n_frames), 1);
    assert_near(peak_of(left.right, left.n_frames), 0, 0);
    assert_near(peak_of(left.left, left.n_frames), peak_of(both.left, both.n_frames), 0.01);
    rb_arena_free(arena);
  }
}

// The stimulus at −20 dBFS with a trace of noise, as a perfect card would give it back.
static rb_capture looped(const rb_stimulus *stimulus, rb_arena *arena)
{
  rb_random random = rb_random_seeded(11);
  rb_capture capture = {.frames = rb_arena_alloc(arena, 2 * stimulus->n_frames, sizeof(float)),
                        .n_frames = stimulus->n_frames,
                        .n_channels = 2,
                        .rate_hz = stimulus->rate_hz};
  assert_non_null(capture.frames);
  for (size_t i = 0; i < stimulus->n_frames; i++) {
    capture.frames[2 * i] = (float)(0.1 * stimulus->left[i] + 1e-6 * rb_random_normal(&random));
    capture.frames[2 * i + 1] =
        (float)(0.1 * stimulus->right[i] + 1e-6 * rb_random_normal(&random));
  }
  return capture;
}

static void assert_sound(const rb_reading *reading)
{
  const bool sound = rb_reading_kind_find(reading->key) && isfinite(reading->value) &&
                     isfinite(reading->uncertainty) && reading->uncertainty >= 0 &&
                     isfinite(reading->floor) && strcmp(reading->condition, "test 1 W") == 0;
  if (!sound)
    print_error("%s %s: %g %s ± %g, floor %g, '%s'\n", reading->key,
                rb_channel_name(reading->channel), reading->value, reading->unit,
                reading->uncertainty, reading->floor, reading->condition);
  assert_true(sound);
}

static void every_analysis_reads_its_own_plan_from_an_ideal_loop(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_procedure *const *rows = rb_procedures(&n);
  for (size_t i = 0; i < n; i++) {
    rb_arena *arena = rb_arena_new(0);
    const rb_signal signal = defaults_of(rows[i]);
    rb_stimulus stimulus;
    rb_err err = {0};
    assert_int_equal(rows[i]->plan(&signal, RB_BOTH, 48000, arena, &stimulus, &err), RB_OK);
    rb_capture capture = looped(&stimulus, arena);
    const rb_located located = {.found = true, .polarity = {1, 1}};
    const rb_analysis analysis = {.signal = &signal,
                                  .condition = "test 1 W",
                                  .drive = RB_BOTH,
                                  .load_vrms_per_fs = {28, 28},
                                  .load_ohm = 8,
                                  .played = &stimulus,
                                  .located = &located,
                                  .drive_peak_fs = {0.1, 0.1}};
    rb_results results = rb_results_in(arena);
    rb_status status = rows[i]->analyse(&analysis, &capture, &results, &err);
    if (status != RB_OK)
      print_error("%s: %s\n", rows[i]->name, err.message);
    assert_int_equal(status, RB_OK);
    assert_true(capture.health.usable);
    assert_true(results.n_readings + results.n_curves > 0);
    for (size_t k = 0; k < results.n_readings; k++)
      assert_sound(&results.readings[k]);
    for (size_t k = 0; k < results.n_curves; k++)
      for (size_t j = 0; j < results.curves[k].n; j++)
        assert_true(isfinite(results.curves[k].x[j]) && isfinite(results.curves[k].y[j]));
    rb_arena_free(arena);
  }
}

static void conditions_are_always_written_alike(void **state)
{
  (void)state;
  char words[RB_CONDITION_SIZE];
  rb_condition(words, "tone-1k", 1, RB_BOTH);
  assert_string_equal(words, "tone-1k 1 W");
  rb_condition(words, "tone-1k", 0.25, RB_LEFT);
  assert_string_equal(words, "tone-1k 0.25 W, left driven");
  rb_condition(words, "silence", 0, RB_BOTH);
  assert_string_equal(words, "silence");
  rb_condition(words, "1000 Hz", -1, RB_BOTH);
  assert_string_equal(words, "1000 Hz");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_row_can_be_found_and_says_what_it_is),
      cmocka_unit_test(every_fallback_lies_in_its_range),
      cmocka_unit_test(settings_outside_the_table_are_refused),
      cmocka_unit_test(every_plan_stays_within_full_scale_and_its_channels),
      cmocka_unit_test(every_analysis_reads_its_own_plan_from_an_ideal_loop),
      cmocka_unit_test(conditions_are_always_written_alike),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
