// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "shelf_fixture.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/judge/compare.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define TONE "tone-1k 1 W"

// What one sitting reads: gain, H2, its angle, THD; two passes with a small spread.
typedef struct sitting_values {
  double gain_db, h2_db, angle_deg, thd_pct;
} sitting_values;

static void measure(fixture *shelf, const rb_lineup *lineup, double hour, int n_passes,
                    sitting_values at)
{
  int64_t sitting = shelf_sitting(shelf->book, lineup->id, hour);
  for (int i = 0; i < n_passes; i++) {
    double wiggle = n_passes > 1 ? 0.001 * (i - 0.5 * (n_passes - 1)) : 0;
    rb_results results = rb_results_in(shelf->arena);
    shelf_reading(&results, "h2", RB_LEFT, TONE, "dB", at.h2_db + wiggle, true);
    shelf_reading(&results, "gain", RB_LEFT, TONE, "dB", at.gain_db + wiggle, true);
    shelf_reading(&results, "h2_phase", RB_LEFT, TONE, "deg", remainder(at.angle_deg + wiggle, 360),
                  true);
    shelf_reading(&results, "thd", RB_LEFT, TONE, "%", at.thd_pct * (1 + wiggle), true);
    shelf_reading(&results, "freq", RB_LEFT, TONE, "Hz", 1000 + hour, true);
    shelf_pass(shelf->book, sitting, 1200 + 60 * i, &results, NULL, 0);
  }
}

static void compare(fixture *shelf, rb_comparison *comparison)
{
  rb_err err = {0};
  if (rb_compare(shelf->book, "before", "after", shelf->arena, comparison, &err) != RB_OK)
    fail_msg("%s", err.message);
}

static const rb_effect *effect_of(const rb_comparison *comparison, const char *key)
{
  for (size_t i = 0; i < comparison->n_effects; i++)
    if (strcmp(comparison->effects[i].quantity.key, key) == 0)
      return &comparison->effects[i];
  fail_msg("no effect '%s'", key);
  return NULL;
}

static bool has_note(const rb_comparison *comparison, const char *part)
{
  for (size_t i = 0; i < comparison->n_notes; i++)
    if (strstr(comparison->notes[i], part))
      return true;
  return false;
}

static const sitting_values usual = {.gain_db = 20, .h2_db = -60, .angle_deg = 170, .thd_pct = 0.1};

static sitting_values shifted(double by)
{
  return (sitting_values){.gain_db = usual.gain_db + by,
                          .h2_db = usual.h2_db + 3 * by,
                          .angle_deg = usual.angle_deg + 20 * by,
                          .thd_pct = usual.thd_pct * exp(by)};
}

static void with_one_sitting_each_nothing_is_called_changed(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  measure(shelf, &shelf->before, 0, 3, usual);
  measure(shelf, &shelf->after, 1, 3, shifted(6)); // enormous against the passes' spread
  compare(shelf, &comparison);
  assert_string_equal(comparison.order_text, "A B");
  assert_int_equal(comparison.n_effects, 4); // the tone's frequency is the bench's
  assert_int_equal(comparison.n_changed, 0);
  const rb_effect *gain = effect_of(&comparison, "gain");
  assert_int_equal(gain->basis, RB_BASIS_WITHIN);
  assert_int_equal(gain->word, RB_NOT_RESOLVED);
  assert_near(gain->difference, 6, 1e-9);
  assert_true(gain->interval[0] > 5.9 && gain->interval[1] < 6.1);
  assert_near(gain->p_holm, 1, 0);
  assert_true(has_note(&comparison, "includes no reseating"));
  assert_true(has_note(&comparison, "No return to the first line-up"));
}

static void with_one_pass_each_only_the_capture_speaks(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  measure(shelf, &shelf->before, 0, 1, usual);
  measure(shelf, &shelf->after, 1, 1, shifted(1));
  compare(shelf, &comparison);
  const rb_effect *gain = effect_of(&comparison, "gain");
  assert_int_equal(gain->basis, RB_BASIS_CAPTURE);
  assert_int_equal(gain->word, RB_NOT_RESOLVED);
  // Each reading's standard uncertainty is 0.001 dB.
  assert_near(gain->standard_error, 0.001 * sqrt(2), 1e-9);
  assert_int_equal(comparison.n_changed, 0);
}

// Two sittings each with equally many passes: Welch's one-level t test on the sittings' means with
// pooled variance, worked by hand. A: 20.0 20.1, B: 21.0 21.2; means 20.05 and 21.1; pooled
// variance (0.005 + 0.02) / 2 = 0.0125; standard error √(0.0125 · (1/2 + 1/2)) = 0.111803; t
// = 9.39149; half-width t(0.975, 2) = 4.302653 times that.
static void two_sittings_each_give_the_pooled_t_interval_of_their_means(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  const double at[] = {0, 0.1, 1.0, 1.2};
  // A month lies between the sittings, so that they are no session and no drift is removed.
  for (int i = 0; i < 4; i++)
    measure(shelf, i < 2 ? &shelf->before : &shelf->after, 720.0 * i, 2, shifted(at[i]));
  compare(shelf, &comparison);
  const rb_effect *gain = effect_of(&comparison, "gain");
  assert_int_equal(gain->basis, RB_BASIS_SITTINGS);
  assert_false(comparison.drift_removed);
  assert_near(gain->a.value, 20.05, 1e-9);
  assert_near(gain->b.value, 21.1, 1e-9);
  assert_near(gain->difference, 1.05, 1e-9);
  assert_near(gain->standard_error, sqrt(0.0125), 1e-9);
  assert_near(gain->df, 2, 1e-9);
  assert_near(gain->interval[1], 1.05 + 4.302652729749464 * sqrt(0.0125), 1e-8);
  // 2 Q(t) of Student's t with two degrees of freedom is 1 − t/√(2 + t²).
  double t = 1.05 / sqrt(0.0125);
  assert_near(gain->p, 1 - t / sqrt(2 + t * t), 1e-9);
  assert_near(gain->spread_between, sqrt(0.0125 - 0.5e-6 / 2), 1e-9);
  assert_near(gain->between_df, 2, 0);
  assert_near(gain->within_df, 4, 0);
  // Bonferroni's first step over the three effects that are judged (the angle is not); two-sided
  // quantile of Student's t with two degrees of freedom in closed form.
  double q = 1 - 0.05 / 3;
  double t_family = q * sqrt(2 / (1 - q * q));
  assert_near(gain->smallest_resolvable, t_family * sqrt(0.0125), 1e-6);
}

static void a_return_takes_a_linear_drift_out(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  const double wobble[] = {0.004, -0.006, 0.003, 0.002, -0.005};
  for (int i = 0; i < 5; i++) { // A B A B A, drifting by 0.3 a sitting
    double drift = 0.3 * i + wobble[i];
    measure(shelf, i % 2 ? &shelf->after : &shelf->before, i, 2, shifted(drift + (i % 2 ? 1 : 0)));
  }
  compare(shelf, &comparison);
  assert_string_equal(comparison.order_text, "A B A B A");
  assert_true(comparison.drift_removed);
  const rb_effect *gain = effect_of(&comparison, "gain");
  // Weights −⅓ ½ −⅓ ½ −⅓.
  double expected = 1 + (wobble[1] + wobble[3]) / 2 - (wobble[0] + wobble[2] + wobble[4]) / 3;
  assert_near(gain->difference, expected, 1e-9);
  assert_near(gain->df, 2, 1e-9);
  assert_true(gain->standard_error < 0.01); // the drift is in neither
  assert_true(gain->p < 0.001);
  assert_false(has_note(&comparison, "No return"));
  assert_true(has_note(&comparison, "Back at line-up A"));
}

// What A was months ago does not count where it was measured beside B; only its spread does.
static void a_session_with_both_counts_before_older_sittings(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  measure(shelf, &shelf->before, 0, 2, shifted(-5));
  measure(shelf, &shelf->before, 1, 2, shifted(-5.1));
  measure(shelf, &shelf->before, 2000, 2, shifted(0));
  measure(shelf, &shelf->after, 2001, 2, shifted(1.1));
  measure(shelf, &shelf->before, 2002, 2, shifted(0.2));
  compare(shelf, &comparison);
  const rb_effect *gain = effect_of(&comparison, "gain");
  assert_near(gain->difference, 1, 1e-9);
  assert_near(gain->a.value, 20.1, 1e-9);
  assert_int_equal(gain->a.n_sittings, 2);
  assert_int_equal(gain->a.n_passes, 4);
  assert_string_equal(comparison.order_text, "A A A B A");
}

static void angles_are_compared_round_the_circle(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  const double at_deg[] = {179, -179, -178, -176};
  for (int i = 0; i < 4; i++) {
    sitting_values values = usual;
    values.angle_deg = at_deg[i];
    measure(shelf, i < 2 ? &shelf->before : &shelf->after, 720.0 * i, 2, values);
  }
  compare(shelf, &comparison);
  const rb_effect *angle = effect_of(&comparison, "h2_phase");
  assert_near(fabs(angle->a.value), 180, 1e-9);
  assert_near(angle->b.value, -177, 1e-9);
  assert_near(angle->difference, 3, 1e-9);
  assert_near(angle->spread_between, sqrt(2), 1e-3);
}

// A ratio is the same whichever way it is measured; intervals of positive readings stay positive.
static void positive_readings_are_compared_by_ratio(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  const double at[] = {-0.1, 0.1, 0.9, 1.1};
  for (int i = 0; i < 4; i++)
    measure(shelf, i < 2 ? &shelf->before : &shelf->after, 720.0 * i, 2, shifted(at[i]));
  compare(shelf, &comparison);
  const rb_effect *thd = effect_of(&comparison, "thd");
  assert_near(thd->a.value, 0.1, 1e-6);
  assert_near(thd->difference, 0.1 * (exp(1) - 1), 1e-6);
  double half = 4.302652729749464 * sqrt(0.02);
  assert_near(thd->interval[0], 0.1 * (exp(1 - half) - 1), 1e-5);
  assert_near(thd->interval[1], 0.1 * (exp(1 + half) - 1), 1e-5);
}

static void measure_h3(fixture *shelf, const rb_lineup *lineup, double hour, double h3_db,
                       bool resolved)
{
  int64_t sitting = shelf_sitting(shelf->book, lineup->id, hour);
  for (int i = 0; i < 2; i++) {
    rb_results results = rb_results_in(shelf->arena);
    shelf_reading(&results, "h3", RB_LEFT, TONE, "dB", h3_db + 0.01 * i, resolved);
    shelf_pass(shelf->book, sitting, 1200 + 60 * i, &results, NULL, 0);
  }
}

static void a_bound_can_show_a_rise_but_never_a_fall(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  measure_h3(shelf, &shelf->before, 0, -110, false);
  measure_h3(shelf, &shelf->before, 720, -109.9, false);
  measure_h3(shelf, &shelf->after, 1440, -80, true);
  measure_h3(shelf, &shelf->after, 2160, -80.05, true);
  compare(shelf, &comparison);
  const rb_effect *h3 = effect_of(&comparison, "h3");
  assert_true(h3->is_bound);
  assert_false(h3->a.resolved);
  assert_int_equal(h3->basis, RB_BASIS_SITTINGS);
  assert_int_equal(h3->word, RB_CHANGED);
  rb_err err = {0};
  assert_int_equal(rb_compare(shelf->book, "after", "before", shelf->arena, &comparison, &err),
                   RB_OK);
  h3 = effect_of(&comparison, "h3"); // from −80 to "below −110": a fall of at least 30
  assert_int_equal(h3->word, RB_CHANGED);
  // Sittings of amplitudes: means of 10^(−110/20), 10^(−109.99/20) … over those around −80 dB.
  double low = 0, high = 0;
  for (int i = 0; i < 4; i++) {
    low += rb_ratio_from_db((i < 2 ? -110.0 : -109.9) + 0.01 * (i % 2));
    high += rb_ratio_from_db((i < 2 ? -80.0 : -80.05) + 0.01 * (i % 2));
  }
  assert_near(h3->difference, rb_db_from_ratio(low / high), 1e-9);
  measure_h3(shelf, &shelf->after, 2880, -70, false); // now a bound above A's bound
  compare(shelf, &comparison);
  h3 = effect_of(&comparison, "h3");
  assert_int_equal(h3->basis, RB_BASIS_NONE);
  assert_int_equal(h3->word, RB_NOT_RESOLVED);
  assert_near(h3->p, 1, 0);
  assert_true(has_note(&comparison, "they are bounds"));
}

// Reseating moves a second harmonic's amplitude by some 1e-5 whatever it is: 0.09 dB at −60 dB, ten
// times that at −80 dB. History at −60 dB must not make a wobble at −80 dB a change.
static void a_balanced_pair_wobbles_more_in_decibels_than_history_of_unbalanced_ones(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  static const double wobble[] = {1, -1, 0.5, -0.5, 0.8, -0.9, 0.2, -0.4};
  for (int i = 0; i < 8; i++) { // before: unbalanced; after: near its null, and back and forth
    rb_results results = rb_results_in(shelf->arena);
    const bool balanced = i >= 6;
    const double amplitude = (balanced ? 5e-5 : 1e-3) + 1e-5 * wobble[i];
    shelf_reading(&results, "h2", RB_LEFT, TONE, "dB", rb_db_from_ratio(amplitude), true);
    const rb_lineup *lineup = balanced ? &shelf->after : &shelf->before;
    int64_t sitting = shelf_sitting(shelf->book, lineup->id, 720.0 * i);
    shelf_pass(shelf->book, sitting, 1200, &results, NULL, 0);
  }
  compare(shelf, &comparison);
  const rb_effect *h2 = effect_of(&comparison, "h2");
  assert_int_equal(h2->word, RB_CHANGED); // from 1e-3 to 5e-5 is far outside the wobble
  // ± 1e-5 on 5e-5 is about ± 2 dB: the interval says so.
  assert_true(h2->interval[1] - h2->interval[0] > 2);
}

static void an_angle_is_shown_but_never_called_changed(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  for (int i = 0; i < 6; i++) {
    rb_results results = rb_results_in(shelf->arena);
    shelf_reading(&results, "h2_phase", RB_LEFT, TONE, "deg", i % 2 ? 90 : 10 + 0.1 * i, true);
    int64_t sitting = shelf_sitting(shelf->book, i % 2 ? shelf->after.id : shelf->before.id, i);
    shelf_pass(shelf->book, sitting, 1200, &results, NULL, 0);
  }
  compare(shelf, &comparison);
  const rb_effect *angle = effect_of(&comparison, "h2_phase");
  assert_true(fabs(angle->difference) > 75);
  assert_int_equal(angle->word, RB_NOT_RESOLVED);
}

// Polarity is 1 in every pass; taking a drift out of it leaves some 1e-12, which is no change.
static void a_constant_is_never_called_changed(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  static const double hours[] = {0, 1.1, 1.9, 3.2, 4.05, 5.3};
  for (int i = 0; i < 6; i++) {
    rb_results results = rb_results_in(shelf->arena);
    shelf_reading(&results, "polarity", RB_LEFT, TONE, "", i % 2 ? 1 + 4.5e-12 : 1, true);
    int64_t sitting =
        shelf_sitting(shelf->book, i % 2 ? shelf->after.id : shelf->before.id, hours[i]);
    shelf_pass(shelf->book, sitting, 1200, &results, NULL, 0);
  }
  compare(shelf, &comparison);
  const rb_effect *polarity = effect_of(&comparison, "polarity");
  assert_int_equal(polarity->word, RB_NOT_RESOLVED);
  assert_near(polarity->p, 1, 0);
}

static void what_was_swapped_is_told(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  measure(shelf, &shelf->before, 0, 2, usual);
  measure(shelf, &shelf->after, 1, 2, usual);
  compare(shelf, &comparison);
  assert_int_equal(comparison.n_sockets_changed, 1);
  assert_string_equal(comparison.sockets_changed[0].socket->name, "V2");
  assert_string_equal(comparison.sockets_changed[0].tube_a, "inverter 1");
  assert_string_equal(comparison.sockets_changed[0].tube_b, "inverter 2");
  assert_int_equal(comparison.order[0].lineup, 'A');
  assert_int_equal(comparison.order[1].n_passes, 2);
}

static void of_several_sockets_the_single_swaps_are_named(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  rb_err err = {0};
  rb_lineup both = shelf->after;
  snprintf(both.name, sizeof both.name, "both");
  both.fittings[2].bias_ma = 45; // the same tube at another bias is a change too
  assert_int_equal(rb_book_add_lineup(shelf->book, &both, &err), RB_OK);
  measure(shelf, &shelf->before, 0, 1, usual);
  measure(shelf, &both, 1, 1, usual);
  assert_int_equal(rb_compare(shelf->book, "before", "both", shelf->arena, &comparison, &err),
                   RB_OK);
  assert_int_equal(comparison.n_sockets_changed, 2);
  assert_near(comparison.sockets_changed[1].bias_b_ma, 45, 0);
  assert_true(has_note(&comparison, "2 sockets differ"));
  assert_true(has_note(&comparison, "'inverter 2' in V2, or 'push' in V3"));
}

static void what_cannot_be_compared_is_refused_with_words(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  rb_err err = {0};
  assert_int_equal(rb_compare(shelf->book, "before", "before", shelf->arena, &comparison, &err),
                   RB_BAD_ARG);
  assert_int_equal(rb_compare(shelf->book, "before", "nobody", shelf->arena, &comparison, &err),
                   RB_NOT_FOUND);
  measure(shelf, &shelf->before, 0, 2, usual);
  assert_int_equal(rb_compare(shelf->book, "before", "after", shelf->arena, &comparison, &err),
                   RB_NOT_FOUND);
  assert_non_null(strstr(err.message, "has not been measured yet"));
}

static void measure_curve(fixture *shelf, const rb_lineup *lineup, double hour, double lift_db,
                          size_t n)
{
  double x[64], y[64];
  for (size_t i = 0; i < n; i++) {
    x[i] = 20 + 1000 * (double)i / (double)(n - 1);
    y[i] = lift_db + 1e-3 * x[i];
  }
  rb_curve curve = {.key = "response",
                    .channel = RB_LEFT,
                    .condition = "sweep 1 W",
                    .x_unit = "Hz",
                    .y_unit = "dB",
                    .x = x,
                    .y = y,
                    .n = n};
  rb_results results = rb_results_in(shelf->arena);
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  shelf_reading(&results, "gain", RB_LEFT, TONE, "dB", 20 + lift_db, true);
  shelf_pass(shelf->book, shelf_sitting(shelf->book, lineup->id, hour), 1200, &results, NULL, 0);
}

static void curves_are_set_side_by_side_with_their_bands(void **state)
{
  fixture *shelf = *state;
  rb_comparison comparison;
  measure_curve(shelf, &shelf->before, 0, 0, 50);
  measure_curve(shelf, &shelf->before, 720, 0.1, 33); // another grid, the newest of A
  measure_curve(shelf, &shelf->after, 1440, 1, 50);
  measure_curve(shelf, &shelf->after, 2160, 1.2, 50);
  compare(shelf, &comparison);
  assert_int_equal(comparison.n_curves, 1);
  const rb_curve_effect *curve = &comparison.curves[0];
  assert_int_equal(curve->basis, RB_BASIS_SITTINGS);
  assert_int_equal(curve->n, 33);
  for (size_t i = 0; i < curve->n; i++) {
    assert_near(curve->difference[i], 1.05, 1e-6);
    assert_near(curve->pointwise[i], 4.302652729749464 * sqrt(0.0125), 1e-5);
    assert_true(curve->simultaneous[i] > curve->pointwise[i]);
  }
}

enum { BAND_SWAPS = 60, BAND_POINTS = 40 };

// One pass of a curve whose points wander alone, by 0.1 from sitting to sitting.
static void measure_band(fixture *shelf, const rb_lineup *lineup, double hour, double lift_db,
                         rb_random *random)
{
  double x[BAND_POINTS], y[BAND_POINTS];
  rb_arena_mark mark = rb_arena_save(shelf->arena);
  for (size_t i = 0; i < BAND_POINTS; i++) {
    x[i] = 20 + 10 * (double)i;
    y[i] = lift_db + 0.1 * rb_random_normal(random);
  }
  rb_curve curve = {.key = "response",
                    .condition = "sweep 1 W",
                    .x_unit = "Hz",
                    .y_unit = "dB",
                    .x = x,
                    .y = y,
                    .n = BAND_POINTS};
  rb_results results = rb_results_in(shelf->arena);
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  shelf_reading(&results, "gain", RB_LEFT, TONE, "dB", 20 + lift_db, true);
  shelf_pass(shelf->book, shelf_sitting(shelf->book, lineup->id, hour), 1200, &results, NULL, 0);
  rb_arena_rewind(shelf->arena, mark);
}

static void add_named(fixture *shelf, const rb_lineup *like, const char *word, int i,
                      rb_lineup *made)
{
  rb_err err = {0};
  *made = *like;
  snprintf(made->name, sizeof made->name, "%s %d", word, i);
  if (rb_book_add_lineup(shelf->book, made, &err) != RB_OK)
    fail_msg("%s", err.message);
}

// Of 60 swaps A B A B A with 40 points each: the pointwise band holds 95 % of the points (2 400,
// four standard errors are 1.8), the simultaneous one all points of at least 95 % of the curves
// (three standard errors are 8).
static void bands_hold_the_true_difference(void **state)
{
  fixture *shelf = *state;
  rb_random random = rb_random_seeded(77);
  size_t points = 0, curves = 0;
  for (int i = 0; i < BAND_SWAPS; i++) {
    rb_lineup a, b;
    rb_comparison comparison;
    rb_err err = {0};
    add_named(shelf, &shelf->before, "a", i, &a);
    add_named(shelf, &shelf->after, "b", i, &b);
    for (int k = 0; k < 5; k++)
      measure_band(shelf, k % 2 ? &b : &a, 5000.0 * i + k, 0.2 * k + (k % 2 ? 1 : 0), &random);
    rb_arena_mark mark = rb_arena_save(shelf->arena);
    if (rb_compare(shelf->book, a.name, b.name, shelf->arena, &comparison, &err) != RB_OK)
      fail_msg("%s", err.message);
    const rb_curve_effect *curve = &comparison.curves[0];
    bool all = true;
    for (size_t k = 0; k < curve->n; k++) {
      points += fabs(curve->difference[k] - 1) <= curve->pointwise[k];
      all = all && fabs(curve->difference[k] - 1) <= curve->simultaneous[k];
    }
    curves += all;
    rb_arena_rewind(shelf->arena, mark);
  }
  double points_pct = 100.0 * (double)points / (BAND_SWAPS * BAND_POINTS);
  double curves_pct = 100.0 * (double)curves / BAND_SWAPS;
  print_message("pointwise %.1f %%, simultaneous %.1f %%\n", points_pct, curves_pct);
  assert_near(points_pct, 95, 1.8);
  assert_true(curves_pct >= 95 - 8);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      SHELF_TEST(with_one_sitting_each_nothing_is_called_changed),
      SHELF_TEST(with_one_pass_each_only_the_capture_speaks),
      SHELF_TEST(two_sittings_each_give_the_pooled_t_interval_of_their_means),
      SHELF_TEST(a_return_takes_a_linear_drift_out),
      SHELF_TEST(a_session_with_both_counts_before_older_sittings),
      SHELF_TEST(angles_are_compared_round_the_circle),
      SHELF_TEST(positive_readings_are_compared_by_ratio),
      SHELF_TEST(a_bound_can_show_a_rise_but_never_a_fall),
      SHELF_TEST(a_balanced_pair_wobbles_more_in_decibels_than_history_of_unbalanced_ones),
      SHELF_TEST(an_angle_is_shown_but_never_called_changed),
      SHELF_TEST(a_constant_is_never_called_changed),
      SHELF_TEST(what_was_swapped_is_told),
      SHELF_TEST(of_several_sockets_the_single_swaps_are_named),
      SHELF_TEST(what_cannot_be_compared_is_refused_with_words),
      SHELF_TEST(bands_hold_the_true_difference),
      SHELF_TEST(curves_are_set_side_by_side_with_their_bands),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
