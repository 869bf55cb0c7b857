// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/judge/listener.h"

#include <string.h>

static const rb_bench room = {.speaker_db = 86, .listener_m = 1, .mains_hz = 50};

// SPL = S + 20 log10(V / 2.83 V) at 1 m: 1 mV is 17 dB with 86 dB, 27 with 96, 35 with 104; 5 mV
// 31, 41 and 49 (worked by hand).
static void volts_become_sound_pressure_by_sensitivity(void **state)
{
  (void)state;
  static const struct {
    double speaker_db, level_vrms, spl_db;
  } rows[] = {{86, 1e-3, 16.96}, {96, 1e-3, 26.96}, {104, 1e-3, 34.96},
              {86, 5e-3, 30.94}, {96, 5e-3, 40.94}, {104, 5e-3, 48.94}};
  for (size_t i = 0; i < RB_LEN(rows); i++) {
    rb_bench bench = {.speaker_db = rows[i].speaker_db, .listener_m = 1};
    assert_near(rb_listener_spl_db(&bench, rows[i].level_vrms), rows[i].spl_db, 0.01);
  }
}

static void each_doubling_of_the_distance_takes_three_decibels(void **state)
{
  (void)state;
  rb_bench far = room;
  far.listener_m = 4;
  assert_near(rb_listener_spl_db(&room, 1e-3) - rb_listener_spl_db(&far, 1e-3), 6.02, 0.01);
}

// ISO 226:2003 table 1 (from memory) at its own frequencies, and between them.
static void the_threshold_of_hearing_is_the_published_one(void **state)
{
  (void)state;
  assert_near(rb_hearing_threshold_db(50), 44.0, 1e-9);
  assert_near(rb_hearing_threshold_db(100), 26.5, 1e-9);
  assert_near(rb_hearing_threshold_db(1000), 2.4, 1e-9);
  assert_near(rb_hearing_threshold_db(5), 78.5, 1e-9);
  double between_db = rb_hearing_threshold_db(120);
  assert_true(between_db < 26.5 && between_db > 22.1);
}

static void hum_is_judged_at_the_listener(void **state)
{
  (void)state;
  rb_bench loud = room;
  loud.speaker_db = 104;
  // 5 mV at 100 Hz: 31 dB SPL against a threshold of 26.5.
  assert_int_equal(rb_listener_judge(&room, "hum_2x", 1e-3, 5e-3), RB_AUDIBLE_PLAUSIBLE);
  // 0.5 mV: 11 dB SPL, more than 10 dB under it.
  assert_int_equal(rb_listener_judge(&room, "hum_2x", 1e-4, 5e-4), RB_AUDIBLE_UNLIKELY);
  assert_int_equal(rb_listener_judge(&room, "hum_2x", 5e-3, 5.05e-3), RB_AUDIBLE_UNLIKELY);
  assert_int_equal(rb_listener_judge(&room, "noise_a", 1e-3, 2e-3), RB_AUDIBLE_PLAUSIBLE);
  assert_int_equal(rb_listener_judge(&loud, "hum_2x", 1e-4, 1e-3), RB_AUDIBLE_PLAUSIBLE);
  // The same volts at 50 Hz need 44 dB.
  assert_int_equal(rb_listener_judge(&loud, "hum_1x", 1e-4, 1e-3), RB_AUDIBLE_NO_GUIDE);
}

static void without_a_listener_or_a_row_there_is_no_guide(void **state)
{
  (void)state;
  rb_bench none = rb_bench_default();
  assert_int_equal(rb_listener_judge(&none, "hum_2x", 1e-3, 5e-3), RB_AUDIBLE_NO_GUIDE);
  assert_int_equal(rb_listener_judge(&room, "gain", 1e-3, 5e-3), RB_AUDIBLE_NO_GUIDE);
  assert_int_equal(rb_listener_judge(&room, "hum_odd", 1e-3, 5e-3), RB_AUDIBLE_NO_GUIDE);
}

static void the_loudest_is_told_with_its_pressure(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_effect effects[2] = {{.a.value = 1e-4, .b.value = 2e-4}, {.a.value = 1e-3, .b.value = 5e-3}};
  const char *keys[] = {"noise_a", "hum_2x"};
  for (size_t i = 0; i < RB_LEN(effects); i++) {
    strcpy(effects[i].quantity.key, keys[i]);
    strcpy(effects[i].quantity.condition, "silence");
    strcpy(effects[i].quantity.unit, "V");
  }
  rb_comparison comparison = {.effects = effects, .n_effects = 2};
  assert_int_equal(rb_listener_effects(&room, &comparison, arena), RB_OK);
  assert_int_equal(comparison.n_notes, 1);
  assert_non_null(strstr(comparison.notes[0], "31 dB SPL"));
  assert_int_equal(effects[1].audible, RB_AUDIBLE_PLAUSIBLE);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(volts_become_sound_pressure_by_sensitivity),
      cmocka_unit_test(each_doubling_of_the_distance_takes_three_decibels),
      cmocka_unit_test(the_threshold_of_hearing_is_the_published_one),
      cmocka_unit_test(hum_is_judged_at_the_listener),
      cmocka_unit_test(without_a_listener_or_a_row_there_is_no_guide),
      cmocka_unit_test(the_loudest_is_told_with_its_pressure),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
