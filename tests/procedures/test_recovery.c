// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>

static const double RATE_HZ = 48000, BURST_END_S = 0.81;

/// Gain that dips by `dip` behind the burst and comes back exponentially: a charged capacitor.
static rb_results recovered(double dip, double tau_s, double noise_rms, rb_arena *arena)
{
  const rb_signal signal = rb_signal_made("recovery", "Recovery", "recovery");
  const rb_procedure *p = rb_procedure_find("recovery");
  rb_random random = rb_random_seeded(1);
  rb_stimulus played;
  assert_int_equal(p->plan(&signal, RB_LEFT, RATE_HZ, arena, &played, NULL), RB_OK);
  rb_capture capture = {.frames = rb_arena_alloc(arena, 2 * played.n_frames, sizeof(float)),
                        .n_frames = played.n_frames,
                        .n_channels = 2,
                        .rate_hz = RATE_HZ};
  for (size_t i = 0; i < played.n_frames; i++) {
    const double after_s = (double)i / RATE_HZ - BURST_END_S;
    const double gain = after_s > 0 ? 1 - dip * exp(-after_s / tau_s) : 1;
    capture.frames[2 * i] =
        (float)(0.5 * gain * played.left[i] + noise_rms * rb_random_normal(&random));
  }
  const rb_analysis analysis = {
      .signal = &signal, .condition = "recovery 10 W", .drive = RB_LEFT, .played = &played};
  rb_results results = rb_results_in(arena);
  rb_err err = {0};
  assert_int_equal(p->analyse(&analysis, &capture, &results, &err), RB_OK);
  return results;
}

static void dip_and_return_are_those_of_the_capacitor(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const double dip = 0.3, tau_s = 0.1;
  const rb_results results = recovered(dip, tau_s, 1e-6, arena);
  const rb_curve *gain = rb_results_find_curve(&results, "recovery_gain", RB_LEFT, "recovery");
  assert_non_null(gain);
  for (size_t i = 0; i < gain->n; i++)
    assert_near(gain->y[i], rb_db_from_ratio(1 - dip * exp(-gain->x[i] / 1000 / tau_s)), 0.05);
  // −0.1 dB is 1 − 0.011447: back after τ·ln(dip/0.011447).
  const rb_reading *time = rb_results_find(&results, "recovery_time", RB_LEFT, "recovery");
  assert_near(time->value, tau_s * log(dip / 0.011447), 0.01);
  const rb_reading *depth = rb_results_find(&results, "recovery_dip", RB_LEFT, "recovery");
  assert_near(depth->value, -rb_db_from_ratio(1 - dip * exp(-gain->x[0] / 1000 / tau_s)), 0.05);
  assert_null(rb_results_find(&results, "recovery_time", RB_RIGHT, ""));
  rb_arena_free(arena);
}

static void no_dip_is_told_as_a_bound(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_results results = recovered(0, 1, 1e-5, arena);
  assert_false(rb_results_find(&results, "recovery_dip", RB_LEFT, "recovery")->resolved);
  assert_false(rb_results_find(&results, "recovery_time", RB_LEFT, "recovery")->resolved);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(dip_and_return_are_those_of_the_capacitor),
      cmocka_unit_test(no_dip_is_told_as_a_bound),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
