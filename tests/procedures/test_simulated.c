// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/amp/simulated.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/loads.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>

/// The procedures on the simulated amplifier, against what its equations say when made linear at
/// the working point (rb_amp_truth_of): nothing of that truth was measured on its output.

static const double RATE_HZ = 192000;

typedef struct bench {
  rb_arena *arena;
  rb_amp *amp;
  rb_signal signal;
  rb_stimulus played;
  rb_capture capture;
  rb_results results;
} bench;

static bench switched_on(void (*change)(rb_amp_setup *))
{
  bench b = {.arena = rb_arena_new(0)};
  rb_amp_setup setup = rb_amp_setup_default();
  setup.silent = true;
  setup.still_supply = true;
  if (change != NULL)
    change(&setup);
  rb_err err = {0};
  if (rb_amp_new(&setup, RATE_HZ, b.arena, &b.amp, &err) != RB_OK)
    print_error("%s\n", err.message);
  assert_non_null(b.amp);
  return b;
}

/// Plays the signal with `peak_v` at the input socket; the capture is volts at the load, 1 V of
/// peak being full scale.
static void play(bench *b, const char *procedure, rb_channel drive, double peak_v)
{
  const rb_procedure *p = rb_procedure_find(procedure);
  assert_int_equal(p->plan(&b->signal, drive, RATE_HZ, b->arena, &b->played, NULL), RB_OK);
  const size_t n = b->played.n_frames;
  double *out[2];
  for (unsigned c = 0; c < 2; c++) {
    out[c] = rb_arena_doubles(b->arena, n);
    double *in = c == 0 ? b->played.left : b->played.right;
    for (size_t i = 0; i < n; i++)
      in[i] *= peak_v;
  }
  rb_amp_run_both(b->amp, (const double *const[]){b->played.left, b->played.right}, n, out);
  b->capture = (rb_capture){.frames = rb_arena_alloc(b->arena, 2 * n, sizeof(float)),
                            .n_frames = n,
                            .n_channels = 2,
                            .rate_hz = RATE_HZ};
  for (size_t i = 0; i < n; i++)
    for (unsigned c = 0; c < 2; c++)
      b->capture.frames[2 * i + c] = (float)(0.1 * out[c][i]);
  b->results = rb_results_in(b->arena);
  const rb_analysis analysis = {.signal = &b->signal,
                                .condition = "az",
                                .drive = drive,
                                .played = &b->played,
                                .load_vrms_per_fs = {10 / sqrt(2), 10 / sqrt(2)},
                                .load_ohm = 8,
                                .drive_peak_fs = {1, 1},
                                .drive_vrms = {peak_v / sqrt(2), peak_v / sqrt(2)}};
  rb_err err = {0};
  const rb_status status = p->analyse(&analysis, &b->capture, &b->results, &err);
  if (status != RB_OK)
    print_error("%s\n", err.message);
  assert_int_equal(status, RB_OK);
}

static double value(const bench *b, const char *key, rb_channel channel)
{
  const rb_reading *found = rb_results_find(&b->results, key, channel, "az");
  if (found == NULL)
    print_error("no reading '%s'\n", key);
  assert_non_null(found);
  return found->value;
}

static void sweep_signal(bench *b)
{
  b->signal = rb_signal_made("sweep", "Sweep", "sweep");
  assert_int_equal(rb_signal_set(&b->signal, "duration_s", 3), RB_OK);
  assert_int_equal(rb_signal_set(&b->signal, "first_hz", 5), RB_OK);
  assert_int_equal(rb_signal_set(&b->signal, "last_hz", 80000), RB_OK);
}

static void unlike_channels(rb_amp_setup *setup)
{
  setup->tubes[RB_AMP_PER_CHANNEL + RB_AMP_DRIVER].section[0].gm *= 0.8;
}

/// The model is solved with the trapezoidal rule, which shows at `freq_hz` what the circuit itself
/// does at this somewhat higher frequency (bilinear transform; Oppenheim & Schafer).
static double circuit_hz(double freq_hz)
{
  return RATE_HZ / RB_PI * tan(RB_PI * freq_hz / RATE_HZ);
}

static double model_db(const bench *b, unsigned channel, double freq_hz)
{
  double gain[2];
  rb_amp_response(b->amp, channel, circuit_hz(freq_hz), gain);
  return rb_db_from_ratio(hypot(gain[0], gain[1]));
}

static void response_gain_corners_and_balance_are_the_models_own(void **state)
{
  (void)state;
  bench b = switched_on(unlike_channels);
  sweep_signal(&b);
  play(&b, "sweep", RB_BOTH, 0.02);
  double worst_db = 0;
  for (unsigned c = 0; c < 2; c++) {
    const rb_channel channel = (rb_channel)c;
    const rb_amp_truth truth = rb_amp_truth_of(b.amp, c);
    const double gain_db = value(&b, "gain", channel);
    assert_near(gain_db, rb_db_from_ratio(fabs(truth.gain)), 0.003);
    assert_near(value(&b, "polarity", channel), truth.gain < 0 ? -1 : 1, 0);
    assert_near_relative(circuit_hz(value(&b, "high_3db", channel)), truth.high_3db_hz, 0.003);
    // The lower corner lies under the sweep, and is told as a bound.
    assert_true(truth.low_3db_hz < value(&b, "low_3db", channel));
    assert_false(rb_results_find(&b.results, "low_3db", channel, "az")->resolved);
    const rb_curve *response = rb_results_find_curve(&b.results, "response", channel, "az");
    for (size_t i = 0; i < response->n; i++)
      if (response->x[i] >= 20 && response->x[i] <= 40000)
        worst_db = fmax(worst_db, fabs(gain_db + response->y[i] - model_db(&b, c, response->x[i])));
  }
  const double balance_db = model_db(&b, 0, 1000) - model_db(&b, 1, 1000);
  print_message("response within %.4f dB; balance %.4f (%.4f) dB\n", worst_db,
                value(&b, "balance", RB_BOTH), balance_db);
  assert_at_most(worst_db, 0.01);
  assert_true(fabs(balance_db) > 0.03);
  assert_near(value(&b, "balance", RB_BOTH), balance_db, 0.003);
  // With the supply held still nothing leads from one channel to the other.
  assert_true(value(&b, "separation", RB_LEFT) > 100);
  rb_arena_free(b.arena);
}

static void on_4_ohm(rb_amp_setup *setup)
{
  setup->load_ohm = 4;
}

static void output_impedance_from_8_and_4_ohm_is_the_models_own(void **state)
{
  (void)state;
  bench on_8 = switched_on(NULL), on_4 = switched_on(on_4_ohm);
  const double truth_ohm = rb_amp_truth_of(on_8.amp, 0).output_impedance_ohm;
  sweep_signal(&on_8);
  sweep_signal(&on_4);
  play(&on_8, "sweep", RB_LEFT, 0.02);
  play(&on_4, "sweep", RB_LEFT, 0.02);
  rb_results results = rb_results_in(on_8.arena);
  const rb_loaded_sweep sweeps[2] = {{&on_8.results, 8}, {&on_4.results, 4}};
  assert_int_equal(rb_two_load_impedance(sweeps, 0, "two loads", &results, NULL), RB_OK);
  const double found_ohm = rb_results_find(&results, "output_impedance", RB_LEFT, "two")->value;
  print_message("output impedance %.4f (%.4f) ohm\n", found_ohm, truth_ohm);
  assert_near_relative(found_ohm, truth_ohm, 0.02);
  rb_arena_free(on_8.arena);
  rb_arena_free(on_4.arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(response_gain_corners_and_balance_are_the_models_own),
      cmocka_unit_test(output_impedance_from_8_and_4_ohm_is_the_models_own),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
