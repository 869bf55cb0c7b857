// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "bookshelf.h"
#include "rollbook/base/units.h"
#include "rollbook/runner/runner.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/// Whole runs on the simulated rig, with short tones.

typedef struct workshop {
  char folder[SHELF_PATH_SIZE];
  rb_book *book;
  rb_lineup lineup;
  rb_plan plan;
  rb_cancel cancel;
  // what the watcher saw
  unsigned stages, notes, passes;
  unsigned cancel_after_passes;
  double last_remaining_s, last_done_s;
  bool sane;
} workshop;

static void write_file(const char *folder, const char *name, const char *text)
{
  char path[SHELF_PATH_SIZE + 64];
  snprintf(path, sizeof path, "%s/%s", folder, name);
  FILE *file = fopen(path, "w");
  assert_non_null(file);
  fputs(text, file);
  fclose(file);
}

static void watch(void *payload, const rb_event *event)
{
  workshop *w = payload;
  w->stages += event->kind == RB_EVENT_STAGE;
  w->notes += event->kind == RB_EVENT_NOTE;
  if (event->kind == RB_EVENT_PROGRESS) {
    w->sane = w->sane && event->done_s >= w->last_done_s - 1e-9 &&
              event->done_s <= event->total_s + 1e-9 && event->remaining_s >= 0;
    w->last_done_s = event->done_s;
    w->last_remaining_s = event->remaining_s;
  }
  if (event->kind == RB_EVENT_PASS) {
    w->passes++;
    w->sane = w->sane && event->pass->id > 0 && event->results->n_readings > 0;
    if (w->passes == w->cancel_after_passes)
      rb_cancel_request(&w->cancel);
  }
}

static int open_workshop(void **state)
{
  workshop *w = calloc(1, sizeof *w);
  rb_lineup other;
  shelf_make(w->folder);
  write_file(w->folder, "short.ini",
             "[signal]\ntitle = Short tone\nprocedure = tone\nduration_s = 0.5\nsettle_s = 0.2\n");
  write_file(w->folder, "twice.ini",
             "[plan]\ntitle = Twice\n[steps]\nshort = 1 W\nshort = 0.25 W left\n");
  setenv("ROLLBOOK_SIGNALS", w->folder, 1);
  char book[SHELF_PATH_SIZE + 8];
  snprintf(book, sizeof book, "%s/book", w->folder);
  w->book = shelf_open(book);
  shelf_stock(w->book, &w->lineup, &other);
  assert_int_equal(rb_plan_find("twice", &w->plan, NULL), RB_OK);
  w->sane = true;
  *state = w;
  return 0;
}

static int close_workshop(void **state)
{
  workshop *w = *state;
  rb_book_close(w->book);
  shelf_remove(w->folder);
  free(w);
  return 0;
}

// Volts at the load for a full-scale capture: the simulated card takes a peak of 2 V behind an
// attenuator of 20 (rig_sim's defaults), a sine of 2·20/√2 V rms.
static const double sim_vrms_per_fs = 28.284271;

static void set_bench(workshop *w, bool calibrated)
{
  rb_bench bench = rb_bench_default();
  strcpy(bench.rig, "sim:seed=4");
  bench.calibrated = calibrated;
  bench.load_vrms_per_fs[0] = bench.load_vrms_per_fs[1] = sim_vrms_per_fs;
  bench.polarity[0] = bench.polarity[1] = 1;
  assert_int_equal(rb_book_set_bench(w->book, &bench, NULL), RB_OK);
}

static rb_run run_of(workshop *w, unsigned n_passes)
{
  return (rb_run){.book = w->book,
                  .lineup = &w->lineup,
                  .plan = &w->plan,
                  .n_passes = n_passes,
                  .least_warm_up_s = 1800,
                  .sitting_seed = 3,
                  .cancel = &w->cancel,
                  .watcher = {.tell = watch, .payload = w}};
}

static size_t passes_in_book(workshop *w)
{
  rb_arena *arena = rb_arena_new(0);
  rb_pass *passes = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_passes(w->book, w->lineup.id, 0, arena, &passes, &n, NULL), RB_OK);
  rb_arena_free(arena);
  return n;
}

// ---- measuring ----------------------------------------------------------------------------------

static const rb_reading *reading(const rb_results *results, const char *key, rb_channel channel,
                                 const char *condition)
{
  const rb_reading *found = rb_results_find(results, key, channel, condition);
  if (!found)
    print_error("no reading %s %s '%s'\n", key, rb_channel_name(channel), condition);
  assert_non_null(found);
  return found;
}

static void check_readings(workshop *w, int64_t pass_id)
{
  rb_arena *arena = rb_arena_new(0);
  rb_results results = rb_results_in(arena);
  assert_int_equal(rb_book_results(w->book, pass_id, true, &results, NULL), RB_OK);
  const double volts = rb_vrms_from_watts(1, 8);
  for (unsigned c = 0; c < 2; c++)
    assert_near_relative(reading(&results, "level", (rb_channel)c, "short 1 W")->value, volts,
                         0.01);
  const rb_reading *quarter = reading(&results, "level", RB_LEFT, "short 0.25 W, left driven");
  assert_near_relative(quarter->value, volts / 2, 0.01);
  assert_string_equal(quarter->unit, "V");
  assert_null(rb_results_find(&results, "level", RB_RIGHT, "short 0.25 W"));
  assert_near(reading(&results, "clock_ppm", RB_BOTH, "bench")->value, 0, 1);
  assert_non_null(rb_results_find_curve(&results, "spectrum", RB_LEFT, "short 1 W"));
  rb_arena_free(arena);
}

static void check_captures(workshop *w, int64_t pass_id)
{
  rb_arena *arena = rb_arena_new(0);
  rb_kept_capture *captures = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_captures(w->book, pass_id, NULL, arena, &captures, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  assert_string_equal(captures[1].condition, "short 0.25 W, left driven");
  assert_near(captures[0].drive_dbfs[0] - captures[1].drive_dbfs[0], 20 * log10(2), 1e-6);
  assert_true(captures[0].capture.n_frames > 30000);
  assert_true(captures[0].capture.health.usable);
  rb_arena_free(arena);
}

static void a_cancelled_run_leaves_whole_passes_with_readings_and_captures(void **state)
{
  workshop *w = *state;
  set_bench(w, true);
  w->cancel_after_passes = 2;
  rb_run run = run_of(w, 3);
  rb_sitting sitting;
  rb_err err = {0};
  const rb_status status = rb_runner_measure(&run, &sitting, &err);
  if (status != RB_CANCELLED)
    print_error("%s\n", err.message);
  assert_int_equal(status, RB_CANCELLED);
  assert_int_equal(w->passes, 2);
  assert_int_equal(passes_in_book(w), 2);
  assert_true(w->sane && w->stages >= 5);
  rb_arena *arena = rb_arena_new(0);
  rb_pass *passes = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_passes(w->book, 0, sitting.id, arena, &passes, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  for (size_t i = 0; i < n; i++) {
    assert_false(passes[i].settled); // nobody watched the gain
    assert_true(passes[i].since_power_on_s >= 1800);
    assert_string_equal(passes[i].plan, "twice");
    check_readings(w, passes[i].id);
    check_captures(w, passes[i].id);
  }
  rb_arena_free(arena);
}

static void a_warm_amplifier_settles(void **state)
{
  workshop *w = *state;
  set_bench(w, true);
  rb_run run = run_of(w, 1);
  rb_sitting sitting;
  rb_arena *arena = rb_arena_new(0);
  rb_pass *passes = NULL;
  size_t n = 0;
  w->plan.n_steps = 1;
  run.least_warm_up_s = 2400;
  run.most_warm_up_s = 3600;
  assert_int_equal(rb_runner_measure(&run, &sitting, NULL), RB_OK);
  assert_int_equal(rb_book_passes(w->book, 0, sitting.id, arena, &passes, &n, NULL), RB_OK);
  assert_true(passes[0].settled);
  assert_true(passes[0].since_power_on_s >= 2400 + 30 && passes[0].since_power_on_s < 2600);
  rb_results results = rb_results_in(arena);
  assert_int_equal(rb_book_results(w->book, passes[0].id, false, &results, NULL), RB_OK);
  assert_true(fabs(reading(&results, "drift_gain", RB_LEFT, "")->value) < RB_SETTLED_DB_PER_MIN);
  assert_near(w->last_remaining_s, 0, 1e-6);
  rb_arena_free(arena);
}

// ---- refused before any sound -------------------------------------------------------------------

static void what_cannot_be_measured_is_refused_before_any_sound(void **state)
{
  workshop *w = *state;
  rb_run run = run_of(w, 1);
  rb_sitting sitting;
  rb_err err = {0};
  set_bench(w, false);
  run.least_warm_up_s = 0;
  assert_int_equal(rb_runner_measure(&run, &sitting, &err), RB_NOT_CALIBRATED);
  assert_non_null(strstr(err.message, "bench calibrate"));
  set_bench(w, true);
  w->plan.steps[1].power_w = 50;
  assert_int_equal(rb_runner_measure(&run, &sitting, &err), RB_UNSAFE);
  assert_non_null(strstr(err.message, "asks for 50 W; the bench's ceiling is 10 W"));
  w->plan.steps[1].power_w = 1;
  strcpy(w->plan.steps[1].signal, "no such tone");
  assert_int_equal(rb_runner_measure(&run, &sitting, &err), RB_NOT_FOUND);
  assert_non_null(strstr(err.message, "twice.ini, line 5: There is no signal 'no such tone'"));
  assert_int_equal(sitting.id, 0);
  assert_near(w->last_done_s, 0, 0);
  assert_int_equal(passes_in_book(w), 0);
}

// ---- calibration and the bench's own floor ------------------------------------------------------

static rb_status two_volts(void *payload, rb_channel channel, double *level_vrms)
{
  (void)channel;
  *level_vrms = *(const double *)payload;
  return RB_OK;
}

static void calibrating_finds_the_volts_behind_full_scale(void **state)
{
  workshop *w = *state;
  rb_bench bench = rb_bench_default();
  rb_calibration found;
  rb_err err = {0};
  double never_asked = 2;
  const rb_calibrate how = {.read_meter = two_volts,
                            .payload = &never_asked,
                            .duration_s = 0.5,
                            .meter_pct = 0.2,
                            .watcher = {.tell = watch, .payload = w}};
  strcpy(bench.rig, "sim:seed=4;polarity=-1");
  const rb_status status = rb_runner_calibrate(&how, &bench, &found, &err);
  if (status != RB_OK)
    print_error("%s\n", err.message);
  assert_int_equal(status, RB_OK);
  assert_true(found.by_rig_meter && bench.calibrated);
  for (unsigned c = 0; c < 2; c++) {
    // Within 0.1 %: the simulated meter also hears hum and harmonics.
    assert_near_relative(bench.load_vrms_per_fs[c], sim_vrms_per_fs, 1e-3);
    assert_near_relative(found.load_vrms[c], rb_vrms_from_watts(0.5, 8), 0.1);
    assert_int_equal(bench.polarity[c], -1);
  }
  assert_near(bench.calibration_pct, 0.2, 0.01);
  assert_int_equal(strlen(bench.calibrated_at), 20);
  bench.attenuator_ratio = 0.5;
  const rb_bench before = bench;
  assert_int_equal(rb_runner_calibrate(&how, &bench, &found, &err), RB_BAD_ARG);
  assert_memory_equal(&before, &bench, sizeof bench);
}

static void the_loop_s_own_floor_is_kept_under_the_plan_s_conditions(void **state)
{
  workshop *w = *state;
  rb_arena *arena = rb_arena_new(0);
  rb_results floors = rb_results_in(arena), kept = rb_results_in(arena);
  rb_bench bench = rb_bench_default();
  rb_err err = {0};
  strcpy(bench.rig, "sim:seed=4;loopback=1");
  bench.calibrated = true;
  bench.load_vrms_per_fs[0] = bench.load_vrms_per_fs[1] = sim_vrms_per_fs;
  assert_int_equal(rb_book_set_bench(w->book, &bench, NULL), RB_OK);
  const rb_watcher watcher = {.tell = watch, .payload = w};
  const rb_status status = rb_runner_floor(w->book, &w->plan, &w->cancel, &watcher, &floors, &err);
  if (status != RB_OK)
    print_error("%s\n", err.message);
  assert_int_equal(status, RB_OK);
  assert_int_equal(rb_book_floors(w->book, &kept, NULL), RB_OK);
  assert_int_equal(kept.n_readings, floors.n_readings);
  assert_true(reading(&kept, "thd", RB_RIGHT, "short 1 W")->value < 0.01);
  assert_true(reading(&kept, "h3", RB_LEFT, "short 0.25 W, left driven")->value < -80);
  assert_string_equal(reading(&kept, "noise", RB_LEFT, "short 1 W")->unit, "V");
  assert_null(rb_results_find(&kept, "level", RB_LEFT, ""));
  assert_null(rb_results_find(&kept, "h2_phase", RB_LEFT, ""));
  rb_arena_free(arena);
}

int main(void)
{
#define on_the_bench(name) cmocka_unit_test_setup_teardown(name, open_workshop, close_workshop)
  const struct CMUnitTest tests[] = {
      on_the_bench(a_cancelled_run_leaves_whole_passes_with_readings_and_captures),
      on_the_bench(a_warm_amplifier_settles),
      on_the_bench(what_cannot_be_measured_is_refused_before_any_sound),
      on_the_bench(calibrating_finds_the_volts_behind_full_scale),
      on_the_bench(the_loop_s_own_floor_is_kept_under_the_plan_s_conditions),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
