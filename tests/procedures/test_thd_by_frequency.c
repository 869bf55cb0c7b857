// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>

// y = x + a2·x² + a3·x³ for a sine of peak 1: H2 = a2/2, H3 = a3/4, H1 = 1 + ¾·a3 (power
// identities), at any frequency.
static void a_bent_line_reads_the_same_at_every_frequency(void **state)
{
  (void)state;
  const double rate_hz = 48000, a2 = 0.002, a3 = 0.004;
  const rb_signal signal = rb_signal_made("thd", "THD", "thd_by_frequency");
  const rb_procedure *p = rb_procedure_find("thd_by_frequency");
  rb_arena *arena = rb_arena_new(0);
  rb_random random = rb_random_seeded(1);
  rb_stimulus played;
  assert_int_equal(p->plan(&signal, RB_BOTH, rate_hz, arena, &played, NULL), RB_OK);
  rb_capture capture = {.frames = rb_arena_alloc(arena, 2 * played.n_frames, sizeof(float)),
                        .n_frames = played.n_frames,
                        .n_channels = 2,
                        .rate_hz = rate_hz};
  for (size_t i = 0; i < played.n_frames; i++) {
    const double x = played.left[i];
    capture.frames[2 * i] =
        (float)(0.5 * x * (1 + x * (a2 + x * a3)) + 1e-6 * rb_random_normal(&random));
    capture.frames[2 * i + 1] = (float)(0.5 * x + 1e-6 * rb_random_normal(&random));
  }
  const rb_analysis analysis = {
      .signal = &signal, .condition = "thd 1 W", .drive = RB_BOTH, .played = &played};
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  assert_int_equal(p->analyse(&analysis, &capture, &results, &err), RB_OK);
  const rb_curve *thd = rb_results_find_curve(&results, "thd_by_freq", RB_LEFT, "thd");
  const rb_curve *h2 = rb_results_find_curve(&results, "h2_by_freq", RB_LEFT, "thd");
  const rb_curve *h3 = rb_results_find_curve(&results, "h3_by_freq", RB_LEFT, "thd");
  assert_int_equal(thd->n, 9);
  const double first = 1 + 0.75 * a3;
  for (size_t i = 0; i < thd->n; i++) {
    assert_near(h2->y[i], rb_db_from_ratio(a2 / 2 / first), 0.05);
    assert_near(h3->y[i], rb_db_from_ratio(a3 / 4 / first), 0.05);
    assert_near(thd->y[i], 100 * hypot(a2 / 2, a3 / 4) / first, 0.001);
  }
  const rb_curve *straight = rb_results_find_curve(&results, "thd_by_freq", RB_RIGHT, "thd");
  for (size_t i = 0; i < straight->n; i++)
    assert_at_most(straight->y[i], 0.002);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_bent_line_reads_the_same_at_every_frequency),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
