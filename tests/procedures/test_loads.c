// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/loads.h"

#include <math.h>
#include <string.h>

enum { POINTS = 5 };
static const double HZ[POINTS] = {20, 200, 1000, 5000, 20000};

/// Results of a sweep through V = V0·R/(R + Z) with a source that rises with frequency.
static double complex source_ohm(double freq_hz)
{
  return CMPLX(1.5, freq_hz / 10000);
}

static rb_results swept(double load_ohm, const char *unit, rb_arena *arena)
{
  rb_results results = rb_results_in(arena);
  double db[POINTS], deg[POINTS];
  for (int i = 0; i < POINTS; i++) {
    const double complex v = 5 * load_ohm / (load_ohm + source_ohm(HZ[i]));
    db[i] = rb_db_from_ratio(cabs(v));
    deg[i] = rb_deg_from_rad(carg(v));
  }
  rb_reading gain = {.key = "gain", .channel = RB_LEFT, .value = db[2], .resolved = true};
  rb_text_copy(gain.unit, sizeof gain.unit, unit);
  for (int i = 0; i < POINTS; i++)
    db[i] -= gain.value;
  rb_curve curve = {.key = "response", .channel = RB_LEFT, .x = HZ, .y = db, .n = POINTS};
  assert_int_equal(rb_results_add(&results, &gain), RB_OK);
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  rb_text_copy(curve.key, sizeof curve.key, "phase");
  curve.y = deg;
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  return results;
}

static void the_source_is_recovered_with_the_loads_tolerance(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_results on_8 = swept(8, "dB", arena), on_4 = swept(4, "dB", arena);
  rb_results results = rb_results_in(arena);
  const rb_loaded_sweep sweeps[2] = {{&on_8, 8}, {&on_4, 4}};
  assert_int_equal(rb_two_load_impedance(sweeps, 1, "two loads", &results, NULL), RB_OK);
  const rb_curve *curve = rb_results_find_curve(&results, "impedance_curve", RB_LEFT, "two");
  assert_int_equal(curve->n, POINTS);
  for (int i = 0; i < POINTS; i++)
    assert_near(curve->y[i], cabs(source_ohm(HZ[i])), 1e-9);
  const rb_reading *zo = rb_results_find(&results, "output_impedance", RB_LEFT, "two");
  assert_near(zo->value, cabs(source_ohm(1000)), 1e-9);
  // Both loads off by 1 % (rectangular) the same way scale Zo by as much; apart, some 0.6 % of the
  // loads' ratio moves it by (R + Zo)·Zo-like shares: a few percent.
  assert_true(zo->uncertainty > 0.01 * zo->value && zo->uncertainty < 0.2 * zo->value);
  const rb_reading *damping = rb_results_find(&results, "damping_factor", RB_LEFT, "two");
  assert_near(damping->value, 8 / cabs(source_ohm(1000)), 1e-9);
  assert_null(rb_results_find(&results, "output_impedance", RB_RIGHT, ""));
  rb_arena_free(arena);
}

static void sweeps_that_do_not_fit_together_are_refused_with_words(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_results on_8 = swept(8, "dB", arena), other = swept(4, "dBV/FS", arena);
  const rb_results none = rb_results_in(arena);
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  const rb_loaded_sweep units[2] = {{&on_8, 8}, {&other, 4}};
  assert_int_equal(rb_two_load_impedance(units, 1, "x", &results, &err), RB_BAD_ARG);
  const rb_loaded_sweep same[2] = {{&on_8, 8}, {&on_8, 8}};
  assert_int_equal(rb_two_load_impedance(same, 1, "x", &results, &err), RB_BAD_ARG);
  assert_non_null(strstr(err.message, "must differ"));
  const rb_loaded_sweep missing[2] = {{&on_8, 8}, {&none, 4}};
  assert_int_equal(rb_two_load_impedance(missing, 1, "x", &results, &err), RB_NOT_FOUND);
  assert_int_equal(results.n_readings, 0);
  rb_arena_free(arena);
}

static void a_loudspeaker_bends_the_response_by_the_divider(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_results on_8 = swept(8, "dB", arena), on_4 = swept(4, "dB", arena);
  rb_results results = rb_results_in(arena);
  const rb_loaded_sweep sweeps[2] = {{&on_8, 8}, {&on_4, 4}};
  assert_int_equal(rb_two_load_impedance(sweeps, 1, "two loads", &results, NULL), RB_OK);
  static const double curve_hz[] = {20, 1000, 20000}, curve_ohm[] = {6, 30, 6};
  const rb_speaker_view speaker = {.curve_hz = curve_hz, .magnitude_ohm = curve_ohm, .n = 3};
  assert_int_equal(
      rb_speaker_response(&on_8, &results, &speaker, 8, RB_LEFT, "speaker", &results, NULL), RB_OK);
  const rb_curve *bent = rb_results_find_curve(&results, "speaker_response", RB_LEFT, "speaker");
  const rb_curve *flat = rb_results_find_curve(&on_8, "response", RB_LEFT, "");
  const double z20 = cabs(source_ohm(20)), z1k = cabs(source_ohm(1000));
  const double at_20_db = rb_loading_db(6, z20, 8), at_1k_db = rb_loading_db(30, z1k, 8);
  assert_near(bent->y[0], flat->y[0] - flat->y[2] + at_20_db - at_1k_db, 1e-9);
  assert_near(bent->y[2], 0, 0);
  assert_int_equal(
      rb_speaker_response(&on_8, &results, &speaker, 8, RB_RIGHT, "speaker", &results, NULL),
      RB_NOT_FOUND);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_source_is_recovered_with_the_loads_tolerance),
      cmocka_unit_test(sweeps_that_do_not_fit_together_are_refused_with_words),
      cmocka_unit_test(a_loudspeaker_bends_the_response_by_the_divider),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
