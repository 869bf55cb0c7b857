// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>
#include <string.h>

/// The procedure's own stimulus through y = x + a2·x² + a3·x³, captured at half size.
static rb_results bent(const char *procedure, double a2, double a3, double rate_hz,
                       rb_channel drive, rb_arena *arena)
{
  const rb_signal signal = rb_signal_made("imd", "IMD", procedure);
  const rb_procedure *p = rb_procedure_find(procedure);
  rb_random random = rb_random_seeded(1);
  rb_stimulus played;
  assert_int_equal(p->plan(&signal, drive, rate_hz, arena, &played, NULL), RB_OK);
  rb_capture capture = {.frames = rb_arena_alloc(arena, 2 * played.n_frames, sizeof(float)),
                        .n_frames = played.n_frames,
                        .n_channels = 2,
                        .rate_hz = rate_hz};
  for (size_t i = 0; i < played.n_frames; i++)
    for (unsigned c = 0; c < 2; c++) {
      const double x = c == 0 ? played.left[i] : played.right[i];
      capture.frames[2 * i + c] =
          (float)(0.5 * x * (1 + x * (a2 + x * a3)) + 1e-7 * rb_random_normal(&random));
    }
  const rb_analysis analysis = {
      .signal = &signal, .condition = "imd 1 W", .drive = drive, .played = &played};
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  assert_int_equal(p->analyse(&analysis, &capture, &results, &err), RB_OK);
  return results;
}

// Closed forms as in tests/dsp/test_intermod.c: peak 1, tones 0.8/0.2 and 0.5/0.5.
static void figures_of_a_bent_line_are_the_closed_form(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_results results = bent("intermod_mod", 0.01, 0, 96000, RB_BOTH, arena);
  for (int c = 0; c < 2; c++) {
    assert_near(rb_results_find(&results, "imd_mod2", (rb_channel)c, "imd")->value, 1.6, 1e-3);
    assert_near(rb_results_find(&results, "imd_mod", (rb_channel)c, "imd")->value, 1.6, 1e-3);
    assert_false(rb_results_find(&results, "imd_mod3", (rb_channel)c, "imd")->resolved);
  }
  results = bent("intermod_diff", 0, 0.01, 192000, RB_LEFT, arena);
  assert_near(rb_results_find(&results, "imd_diff3", RB_LEFT, "imd")->value, 0.18645121, 1e-4);
  assert_false(rb_results_find(&results, "imd_diff2", RB_LEFT, "imd")->resolved);
  assert_null(rb_results_find(&results, "imd_diff3", RB_RIGHT, ""));
  rb_arena_free(arena);
}

static void tones_above_the_rate_are_refused(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_signal signal = rb_signal_made("imd", "IMD", "intermod_diff");
  assert_int_equal(rb_signal_set(&signal, "f2_hz", 30000), RB_OK);
  rb_stimulus played;
  rb_err err = {0};
  assert_int_equal(
      rb_procedure_find("intermod_diff")->plan(&signal, RB_BOTH, 48000, arena, &played, &err),
      RB_UNSUPPORTED);
  assert_non_null(strstr(err.message, "sample rate"));
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(figures_of_a_bent_line_are_the_closed_form),
      cmocka_unit_test(tones_above_the_rate_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
