// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>
#include <string.h>

/// y = gain·x − cubic·x³: compressive, with H3/H1 = ¼c·A²/(1 − ¾c·A²) for a sine of peak A at the
/// output of the straight part and c the cubic's share (power identities).
typedef struct device {
  double cubic;  // per volt², at the output
  double full_v; // volts rms at the load for full scale
  double load_ohm;
  double ceiling_w, ceiling_peak;
} device;

static const double RATE_HZ = 48000, GAIN_V = 40; // volts of peak at the load for full-scale drive

enum { MOST = 64 };

typedef struct series {
  rb_arena *arena;
  rb_results results;
  double asked_w[MOST];
  size_t n;
} series;

static double peak_for(const device *d, double power_w)
{
  return sqrt(2 * power_w * d->load_ohm) / GAIN_V;
}

static rb_analysis analysis_of(const device *d, const rb_signal *signal, const char *condition,
                               double power_w, const rb_stimulus *played)
{
  return (rb_analysis){.signal = signal,
                       .condition = condition,
                       .drive = RB_BOTH,
                       .load_vrms_per_fs = {d->full_v, d->full_v},
                       .load_ohm = d->load_ohm,
                       .played = played,
                       .ceiling_w = d->ceiling_w,
                       .ceiling_peak_fs = d->ceiling_peak,
                       .drive_peak_fs = {peak_for(d, power_w), peak_for(d, power_w)}};
}

static void climb(const device *d, rb_signal *signal, series *s)
{
  const rb_procedure *ladder = rb_procedure_find("ladder");
  rb_random random = rb_random_seeded(1);
  rb_step step = {.power_w = 0.03, .drive = RB_BOTH};
  *s = (series){.arena = rb_arena_new(0)};
  s->results = rb_results_in(s->arena);
  *signal = rb_signal_made("ladder", "Ladder", "ladder");
  rb_stimulus played;
  rb_analysis analysis;
  char condition[RB_CONDITION_SIZE];
  assert_int_equal(ladder->plan(signal, RB_BOTH, RATE_HZ, s->arena, &played, NULL), RB_OK);
  for (bool more = true; more;) {
    assert_true(s->n < MOST);
    s->asked_w[s->n++] = step.power_w;
    rb_condition(condition, signal->name, step.power_w, RB_BOTH);
    analysis = analysis_of(d, signal, condition, step.power_w, &played);
    rb_capture capture = {.frames = rb_arena_alloc(s->arena, 2 * played.n_frames, sizeof(float)),
                          .n_frames = played.n_frames,
                          .n_channels = 2,
                          .rate_hz = RATE_HZ};
    for (size_t i = 0; i < 2 * played.n_frames; i++) {
      const double x = played.left[i / 2] * analysis.drive_peak_fs[0] * GAIN_V;
      const double volts = x - d->cubic * x * x * x + 1e-5 * rb_random_normal(&random);
      capture.frames[i] = (float)(volts / (d->full_v * sqrt(2)));
      assert_true(fabsf(capture.frames[i]) < 1);
    }
    rb_err err = {0};
    assert_int_equal(ladder->analyse(&analysis, &capture, &s->results, &err), RB_OK);
    assert_int_equal(ladder->next(&analysis, &s->results, &step, &more, &err), RB_OK);
  }
  assert_int_equal(ladder->finish(&analysis, &s->results, NULL), RB_OK);
}

static const rb_reading *reading(const series *s, const char *key)
{
  for (size_t i = 0; i < s->results.n_readings; i++)
    if (strcmp(s->results.readings[i].key, key) == 0 &&
        strcmp(s->results.readings[i].condition, "ladder") == 0)
      return &s->results.readings[i];
  return NULL;
}

static double power_at(const device *d, double thd)
{
  const double square = thd / (d->cubic * (0.25 + 0.75 * thd));
  const double peak = sqrt(square) * (1 - 0.75 * d->cubic * square);
  return peak * peak / 2 / d->load_ohm;
}

static void power_at_each_distortion_is_the_closed_form(void **state)
{
  (void)state;
  const device d = {
      .cubic = 2e-4, .full_v = 40, .load_ohm = 8, .ceiling_w = 1000, .ceiling_peak = 1};
  rb_signal signal;
  series s;
  climb(&d, &signal, &s);
  static const struct {
    const char *key;
    double thd;
  } LIMITS[] = {{"power_1pct", .01}, {"power_3pct", .03}, {"power_5pct", .05}, {"power_10pct", .1}};
  for (size_t i = 0; i < RB_LEN(LIMITS); i++) {
    const rb_reading *found = reading(&s, LIMITS[i].key);
    assert_non_null(found);
    print_message("%s: %.3f W (%.3f W)\n", LIMITS[i].key, found->value,
                  power_at(&d, LIMITS[i].thd));
    assert_near_relative(found->value, power_at(&d, LIMITS[i].thd), 0.01);
    assert_string_equal(found->unit, "W");
  }
  const rb_curve *thd = rb_results_find_curve(&s.results, "thd_by_level", RB_LEFT, "ladder");
  assert_int_equal(thd->n, s.n);
  assert_non_null(rb_results_find_curve(&s.results, "h5_by_level", RB_RIGHT, "ladder"));
  assert_null(reading(&s, "class_a_end"));
  print_message("%zu steps, the last at %.1f W\n", s.n, s.asked_w[s.n - 1]);
  rb_arena_free(s.arena);
}

static void steps_leave_no_gap_at_the_knee_and_end_over_ten_percent(void **state)
{
  (void)state;
  const device d = {
      .cubic = 2e-4, .full_v = 40, .load_ohm = 8, .ceiling_w = 1000, .ceiling_peak = 1};
  rb_signal signal;
  series s;
  climb(&d, &signal, &s);
  assert_true(s.n > 8 && s.n < 30);
  assert_near(10 * log10(s.asked_w[1] / s.asked_w[0]), 3, 0.01);
  const rb_curve *thd = rb_results_find_curve(&s.results, "thd_by_level", RB_LEFT, "ladder");
  assert_true(thd->y[thd->n - 1] >= 10 && thd->y[thd->n - 2] < 10);
  for (size_t i = 1; i < thd->n; i++) {
    assert_true(thd->x[i] > thd->x[i - 1]);
    if (thd->y[i] > 0.7)
      assert_true(thd->y[i] < 1.8 * thd->y[i - 1] || thd->x[i] < 1.13 * thd->x[i - 1]);
  }
  // The steps' own readings have given way to the curves.
  for (size_t i = 0; i < s.results.n_readings; i++)
    assert_string_equal(s.results.readings[i].condition, "ladder");
  rb_arena_free(s.arena);
}

static void the_ceiling_and_the_recorders_headroom_are_never_passed(void **state)
{
  (void)state;
  static const device BOUND[] = {
      {.cubic = 2e-6, .full_v = 40, .load_ohm = 8, .ceiling_w = 10, .ceiling_peak = 1},
      {.cubic = 2e-6, .full_v = 40, .load_ohm = 8, .ceiling_w = 1000, .ceiling_peak = 0.3},
      {.cubic = 2e-6, .full_v = 10, .load_ohm = 8, .ceiling_w = 1000, .ceiling_peak = 1}};
  static const double MOST_W[] = {10, 0.3 * 0.3 * 40 * 40 / 2 / 8, 100.0 / 8};
  for (size_t i = 0; i < RB_LEN(BOUND); i++) {
    rb_signal signal;
    series s;
    climb(&BOUND[i], &signal, &s);
    assert_at_most(s.asked_w[s.n - 1], MOST_W[i]);
    assert_true(s.asked_w[s.n - 1] > 0.6 * MOST_W[i]);
    assert_null(reading(&s, "power_10pct"));
    rb_arena_free(s.arena);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(power_at_each_distortion_is_the_closed_form),
      cmocka_unit_test(steps_leave_no_gap_at_the_knee_and_end_over_ten_percent),
      cmocka_unit_test(the_ceiling_and_the_recorders_headroom_are_never_passed),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
