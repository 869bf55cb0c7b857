// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/procedures/procedure.h"

#include <math.h>
#include <string.h>

/// A two-channel device with a truth in closed form: first-order corners, gains, crosstalk, a
/// little of second order, noise.
typedef struct device {
  double gain[2], low_hz[2], high_hz[2]; // bilinear first-order sections
  double leak[2];                        // into this channel from the other, after its filters
  double second;                         // y = x + second·x², before the filters
  double noise_rms;
  int sign;
} device;

static const double RATE_HZ = 48000, DRIVE_PEAK = 0.25;

static void first_order(double *x, size_t n, double corner_hz, bool high)
{
  const double t = tan(RB_PI * corner_hz / RATE_HZ);
  double last_in = 0, last_out = 0;
  for (size_t i = 0; i < n; i++) {
    const double in = x[i];
    const double out = high ? (in - last_in + (1 - t) * last_out) / (1 + t)
                            : (t * (in + last_in) + (1 - t) * last_out) / (1 + t);
    last_in = in;
    last_out = out;
    x[i] = out;
  }
}

static double first_order_db(double freq_hz, double corner_hz, bool high)
{
  const double r = tan(RB_PI * freq_hz / RATE_HZ) / tan(RB_PI * corner_hz / RATE_HZ);
  return -10 * log10(1 + (high ? 1 / (r * r) : r * r));
}

static double truth_db(const device *d, unsigned c, double freq_hz)
{
  return rb_db_from_ratio(d->gain[c]) + first_order_db(freq_hz, d->low_hz[c], true) +
         first_order_db(freq_hz, d->high_hz[c], false);
}

static void pass(const device *d, const rb_stimulus *played, rb_arena *arena, rb_capture *capture)
{
  const size_t n = played->n_frames;
  rb_random random = rb_random_seeded(1);
  double *out[2];
  *capture = (rb_capture){.frames = rb_arena_alloc(arena, 2 * n, sizeof(float)),
                          .n_frames = n,
                          .n_channels = 2,
                          .rate_hz = RATE_HZ};
  for (unsigned c = 0; c < 2; c++) {
    const double *in = c == 0 ? played->left : played->right;
    out[c] = rb_arena_doubles(arena, n);
    for (size_t i = 0; i < n; i++)
      out[c][i] = d->sign * d->gain[c] * DRIVE_PEAK * (in[i] + d->second * in[i] * in[i]);
    first_order(out[c], n, d->low_hz[c], true);
    first_order(out[c], n, d->high_hz[c], false);
  }
  for (size_t i = 0; i < n; i++)
    for (unsigned c = 0; c < 2; c++)
      capture->frames[2 * i + c] = (float)(out[c][i] + d->leak[c] * out[1 - c][i] +
                                           d->noise_rms * rb_random_normal(&random));
}

typedef struct run {
  rb_arena *arena;
  rb_signal signal;
  rb_stimulus played;
  rb_capture capture;
  rb_results results;
} run;

static run measured(const device *d, rb_channel drive)
{
  run r = {.arena = rb_arena_new(0), .signal = rb_signal_made("sweep", "Sweep", "sweep")};
  const rb_procedure *sweep = rb_procedure_find("sweep");
  assert_int_equal(sweep->plan(&r.signal, drive, RATE_HZ, r.arena, &r.played, NULL), RB_OK);
  pass(d, &r.played, r.arena, &r.capture);
  r.results = rb_results_in(r.arena);
  const rb_analysis analysis = {.signal = &r.signal,
                                .condition = "sweep 1 W",
                                .drive = drive,
                                .played = &r.played,
                                .drive_peak_fs = {DRIVE_PEAK, DRIVE_PEAK}};
  rb_err err = {0};
  const rb_status status = sweep->analyse(&analysis, &r.capture, &r.results, &err);
  if (status != RB_OK)
    print_error("%s\n", err.message);
  assert_int_equal(status, RB_OK);
  assert_true(r.capture.health.usable);
  return r;
}

static const rb_reading *reading(const run *r, const char *key, rb_channel channel)
{
  const rb_reading *found = rb_results_find(&r->results, key, channel, "sweep 1 W");
  if (found == NULL)
    print_error("no reading '%s' of %s\n", key, rb_channel_name(channel));
  assert_non_null(found);
  return found;
}

static const rb_curve *curve(const run *r, const char *key, rb_channel channel)
{
  const rb_curve *found = rb_results_find_curve(&r->results, key, channel, "sweep 1 W");
  assert_non_null(found);
  return found;
}

static const device DEVICE = {
    .gain = {1.5, 1.2},
    .low_hz = {18, 30},
    .high_hz = {17000, 14000},
    .leak = {1e-3, 3e-4},
    .second = 1e-4, // small: what folds over at half the rate stays below the leaks
    .noise_rms = 2e-6,
    .sign = -1};

static void gain_corners_and_polarity_are_the_devices_own(void **state)
{
  (void)state;
  run r = measured(&DEVICE, RB_BOTH);
  for (unsigned c = 0; c < 2; c++) {
    const rb_channel channel = (rb_channel)c;
    assert_near(reading(&r, "gain", channel)->value, truth_db(&DEVICE, c, 1000), 0.01);
    assert_near(reading(&r, "polarity", channel)->value, -1, 0);
    // The corner of a cascade: −3.01 dB re 1 kHz; each section's own but for the other's 0.1 dB.
    const double low_hz = reading(&r, "low_3db", channel)->value;
    const double high_hz = reading(&r, "high_3db", channel)->value;
    const double at_1k_db = truth_db(&DEVICE, c, 1000);
    assert_near(truth_db(&DEVICE, c, low_hz) - at_1k_db, -10 * log10(2), 0.02);
    assert_near(truth_db(&DEVICE, c, high_hz) - at_1k_db, -10 * log10(2), 0.02);
  }
  rb_arena_free(r.arena);
}

static void the_response_is_the_devices_within_two_hundredths_of_a_decibel(void **state)
{
  (void)state;
  run r = measured(&DEVICE, RB_BOTH);
  for (unsigned c = 0; c < 2; c++) {
    const rb_curve *response = curve(&r, "response", (rb_channel)c);
    double worst_db = 0;
    for (size_t i = 0; i < response->n; i++)
      if (response->x[i] >= 20 && response->x[i] <= 20000)
        worst_db = fmax(worst_db, fabs(response->y[i] - truth_db(&DEVICE, c, response->x[i]) +
                                       truth_db(&DEVICE, c, 1000)));
    print_message("channel %u: within %.4f dB\n", c, worst_db);
    assert_at_most(worst_db, 0.02);
    const rb_curve *second = curve(&r, "h2_curve", (rb_channel)c);
    for (size_t i = 0; i < second->n; i++) {
      if (second->x[i] < 30 || second->x[i] > 9000)
        continue;
      // a2/2 of the drive's peak 1, through the filters at twice the frequency.
      const double truth = rb_db_from_ratio(DEVICE.second / 2) +
                           truth_db(&DEVICE, c, 2 * second->x[i]) -
                           truth_db(&DEVICE, c, second->x[i]);
      assert_near(second->y[i], truth, 0.2 + 3 * second->uncertainty[i]);
    }
  }
  rb_arena_free(r.arena);
}

static void balance_and_separation_are_the_devices_own(void **state)
{
  (void)state;
  run r = measured(&DEVICE, RB_BOTH);
  assert_near(reading(&r, "balance", RB_BOTH)->value,
              truth_db(&DEVICE, 0, 1000) - truth_db(&DEVICE, 1, 1000), 0.01);
  const rb_curve *balance = curve(&r, "balance_curve", RB_BOTH);
  for (size_t i = 0; i < balance->n; i++)
    if (balance->x[i] >= 20 && balance->x[i] <= 20000)
      assert_near(balance->y[i],
                  truth_db(&DEVICE, 0, balance->x[i]) - truth_db(&DEVICE, 1, balance->x[i]), 0.03);
  for (unsigned quiet = 0; quiet < 2; quiet++) {
    const double truth = -rb_db_from_ratio(DEVICE.leak[quiet]);
    assert_near(reading(&r, "separation", (rb_channel)quiet)->value, truth, 0.3);
    const rb_curve *separation = curve(&r, "separation_curve", (rb_channel)quiet);
    assert_true(separation->n > 25);
    double worst_db = 0;
    for (size_t i = 0; i < separation->n; i++)
      worst_db = fmax(worst_db, fabs(separation->y[i] - truth));
    print_message("separation into channel %u: within %.2f dB of %.1f\n", quiet, worst_db, truth);
    assert_at_most(worst_db, 1.5);
  }
  const rb_curve *angle = curve(&r, "channel_phase", RB_BOTH);
  for (size_t i = 0; i < angle->n; i++) {
    if (angle->x[i] < 20 || angle->x[i] > 20000)
      continue;
    double truth = 0;
    for (int c = 0; c < 2; c++) {
      const double t = tan(RB_PI * angle->x[i] / RATE_HZ);
      const double angle_rad = atan(tan(RB_PI * DEVICE.low_hz[c] / RATE_HZ) / t) -
                               atan(t / tan(RB_PI * DEVICE.high_hz[c] / RATE_HZ));
      truth += (c == 0 ? 1 : -1) * rb_deg_from_rad(angle_rad);
    }
    assert_near(angle->y[i], truth, 0.3);
  }
  rb_arena_free(r.arena);
}

static void one_channel_alone_gives_no_balance(void **state)
{
  (void)state;
  run r = measured(&DEVICE, RB_RIGHT);
  assert_null(rb_results_find(&r.results, "balance", RB_BOTH, ""));
  assert_null(rb_results_find(&r.results, "gain", RB_LEFT, ""));
  assert_near(reading(&r, "gain", RB_RIGHT)->value, truth_db(&DEVICE, 1, 1000), 0.01);
  rb_arena_free(r.arena);
}

static void a_response_flat_to_the_bottom_gives_a_bound(void **state)
{
  (void)state;
  device d = DEVICE;
  d.low_hz[0] = d.low_hz[1] = 2;
  run r = measured(&d, RB_LEFT);
  assert_false(reading(&r, "low_3db", RB_LEFT)->resolved);
  assert_at_most(reading(&r, "low_3db", RB_LEFT)->value, 20);
  rb_arena_free(r.arena);
}

static void noise_alone_is_no_sweep(void **state)
{
  (void)state;
  device d = DEVICE;
  d.gain[0] = d.gain[1] = 0;
  rb_arena *arena = rb_arena_new(0);
  const rb_signal signal = rb_signal_made("sweep", "Sweep", "sweep");
  const rb_procedure *sweep = rb_procedure_find("sweep");
  rb_stimulus played;
  rb_capture capture;
  assert_int_equal(sweep->plan(&signal, RB_BOTH, RATE_HZ, arena, &played, NULL), RB_OK);
  pass(&d, &played, arena, &capture);
  rb_results results = rb_results_in(arena);
  const rb_analysis analysis = {
      .signal = &signal, .condition = "x", .drive = RB_BOTH, .played = &played};
  rb_err err = {0};
  assert_int_equal(sweep->analyse(&analysis, &capture, &results, &err), RB_NO_SIGNAL);
  assert_int_equal(results.n_readings, 0);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(gain_corners_and_polarity_are_the_devices_own),
      cmocka_unit_test(the_response_is_the_devices_within_two_hundredths_of_a_decibel),
      cmocka_unit_test(balance_and_separation_are_the_devices_own),
      cmocka_unit_test(one_channel_alone_gives_no_balance),
      cmocka_unit_test(a_response_flat_to_the_bottom_gives_a_bound),
      cmocka_unit_test(noise_alone_is_no_sweep),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
