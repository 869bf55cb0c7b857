// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/guard/guard.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

// ---- a rig that does what a test wants ----------------------------------------------------------

enum { MOST_EXCHANGES = 64, RATE_HZ = 48000 };

// An amplifier between output and input: gain, a limiter (limit·tanh(x/limit)), delay, noise, loss.
static struct fake {
  double gain[2], limit_peak[2]; // limit 0: linear
  size_t latency_frames;
  double gain_wobble_db;      // from exchange to exchange, rms
  double noise_rms, hum_peak; // hum: a steady 1 kHz tone that nobody played
  int n_losing;               // so many exchanges lose …
  long lost_frames;           // … so many frames in the middle (< 0: inserted)
  rb_status answer;           // other than RB_OK: what exchanges return
  unsigned n_exchanges;
  double played_peak[MOST_EXCHANGES][2];
  float *last_play;
  size_t n_last;
  const rb_cancel *cancel;
  rb_random random;
} fake;

static rb_status fake_open(const char *rest, const rb_rig_want *want, void **self,
                           rb_rig_caps *granted, rb_err *err)
{
  (void)rest, (void)err;
  *self = &fake;
  *granted = (rb_rig_caps){.title = "a fake", .rate_hz = want->rate_hz, .plays = true};
  return RB_OK;
}

static double amplified(unsigned channel, double sample)
{
  double out = sample * fake.gain[channel], limit = fake.limit_peak[channel];
  return limit > 0 ? limit * tanh(out / limit) : out;
}

static void keep_play(const rb_exchange *exchange)
{
  double *peak = fake.played_peak[fake.n_exchanges++ % MOST_EXCHANGES];
  peak[0] = peak[1] = 0;
  for (size_t i = 0; i < 2 * exchange->n_frames; i++)
    peak[i % 2] = fmax(peak[i % 2], fabs((double)exchange->play[i]));
  free(fake.last_play);
  fake.last_play = malloc(2 * exchange->n_frames * sizeof(float));
  memcpy(fake.last_play, exchange->play, 2 * exchange->n_frames * sizeof(float));
  fake.n_last = exchange->n_frames;
  fake.cancel = exchange->cancel;
}

static rb_status fake_exchange(void *self, const rb_exchange *exchange, rb_capture *capture,
                               rb_err *err)
{
  (void)self;
  keep_play(exchange);
  if (fake.answer != RB_OK)
    return rb_fail(err, fake.answer, "as the test wants");
  double wobble = rb_ratio_from_db(fake.gain_wobble_db * rb_random_normal(&fake.random));
  long lost = fake.n_losing > 0 ? fake.lost_frames : 0;
  fake.n_losing -= fake.n_losing > 0;
  for (size_t i = 0; i < exchange->n_frames; i++) {
    long from = (long)i - (long)fake.latency_frames + (i > exchange->n_frames / 2 ? lost : 0);
    bool there = from >= 0 && from < (long)exchange->n_frames;
    for (unsigned c = 0; c < 2; c++)
      capture->frames[2 * i + c] =
          (float)((there ? wobble * amplified(c, (double)exchange->play[2 * from + c]) : 0) +
                  fake.noise_rms * rb_random_normal(&fake.random) +
                  fake.hum_peak * sin(2 * RB_PI * 1000 * (double)i / RATE_HZ));
  }
  return RB_OK;
}

static void fake_close(void *self)
{
  (void)self;
  free(fake.last_play);
  fake.last_play = NULL;
}

static const rb_rig_ops fake_ops = {.scheme = "fake",
                                    .summary = "a test double",
                                    .open = fake_open,
                                    .exchange = fake_exchange,
                                    .close = fake_close};

// ---- setting up ---------------------------------------------------------------------------------

typedef struct test_bed {
  rb_bench bench;
  rb_guard *guard;
  rb_arena *arena;
  rb_err err;
} test_bed;

static rb_bench calibrated_bench(void)
{
  rb_bench bench = rb_bench_default();
  bench.rate_hz = RATE_HZ;
  bench.calibrated = true;
  bench.load_vrms_per_fs[0] = bench.load_vrms_per_fs[1] = 20; // a 20:1 divider into a 1 V input
  return bench;
}

static void open_room(test_bed *room, rb_bench bench)
{
  *room = (test_bed){.bench = bench, .arena = rb_arena_new(0)};
  fake = (struct fake){
      .gain = {1, 1}, .latency_frames = 700, .noise_rms = 1e-5, .random = rb_random_seeded(11)};
  rb_rig *rig = NULL;
  const rb_rig_want want = {.rate_hz = RATE_HZ};
  assert_int_equal(rb_rig_open_kind(&fake_ops, "", &want, &rig, &room->err), RB_OK);
  assert_int_equal(rb_guard_over(rig, &bench, &room->guard, &room->err), RB_OK);
}

static void close_room(test_bed *room)
{
  rb_guard_close(room->guard);
  rb_arena_free(room->arena);
}

static rb_stimulus tone(rb_arena *arena, double duration_s, double frequency_hz)
{
  size_t n = (size_t)(duration_s * RATE_HZ);
  rb_stimulus stimulus = {rb_arena_doubles(arena, n), rb_arena_doubles(arena, n), n, RATE_HZ};
  for (size_t i = 0; i < n; i++)
    stimulus.left[i] = stimulus.right[i] = sin(2 * RB_PI * frequency_hz * (double)i / RATE_HZ);
  return stimulus;
}

static rb_status play(test_bed *room, const rb_stimulus *stimulus, double left, double right,
                      rb_capture *capture, rb_guard_report *report)
{
  return rb_guard_exchange(room->guard, stimulus, (double[]){left, right}, 0, NULL, NULL,
                           room->arena, capture, report, &room->err);
}

static rb_status play_tone(test_bed *room, double left, double right, rb_guard_report *report)
{
  rb_stimulus stimulus = tone(room->arena, 0.5, 997);
  rb_capture capture;
  return play(room, &stimulus, left, right, &capture, report);
}

// ---- what is played -----------------------------------------------------------------------------

static void a_peak_over_the_ceiling_is_refused_before_any_sound(void **state)
{
  (void)state;
  rb_bench bench = calibrated_bench();
  bench.ceiling_dbfs = -6;
  test_bed room;
  rb_guard_report report;
  open_room(&room, bench);
  double ceiling = rb_ratio_from_db(-6);
  assert_int_equal(play_tone(&room, 0.1, ceiling * 1.001, &report), RB_UNSAFE);
  assert_non_null(strstr(room.err.message, "right"));
  assert_int_equal(play_tone(&room, NAN, 0.1, &report), RB_BAD_ARG);
  assert_int_equal(play_tone(&room, -0.1, 0.1, &report), RB_BAD_ARG);
  assert_int_equal(play_tone(&room, INFINITY, 0.1, &report), RB_BAD_ARG);
  assert_int_equal(fake.n_exchanges, 0);
  assert_int_equal(play_tone(&room, ceiling, ceiling, &report), RB_OK);
  assert_int_equal(fake.n_exchanges, 1);
  assert_at_most(fake.played_peak[0][0], ceiling * (1 + 1e-6));
  assert_at_most(fake.played_peak[0][1], ceiling * (1 + 1e-6));
  close_room(&room);
}

static void a_signal_that_is_not_one_is_refused_before_any_sound(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  rb_capture capture;
  open_room(&room, calibrated_bench());
  rb_stimulus stimulus = tone(room.arena, 0.1, 1000);
  stimulus.right[7] = 1.5;
  assert_int_equal(play(&room, &stimulus, 0.1, 0.1, &capture, &report), RB_BUG);
  stimulus.right[7] = NAN;
  assert_int_equal(play(&room, &stimulus, 0.1, 0.1, &capture, &report), RB_BUG);
  stimulus.right[7] = 0;
  stimulus.rate_hz = 44100;
  assert_int_equal(play(&room, &stimulus, 0.1, 0.1, &capture, &report), RB_BUG);
  assert_int_equal(fake.n_exchanges, 0);
  close_room(&room);
}

// The hardest start there is: a stimulus that stands at full scale from its first frame to its
// last.
static void every_start_and_end_is_a_ramp_of_10_ms(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  rb_capture capture;
  open_room(&room, calibrated_bench());
  rb_stimulus stimulus = tone(room.arena, 0.5, 1000);
  for (size_t i = 0; i < stimulus.n_frames; i++)
    stimulus.left[i] = stimulus.right[i] = 1;
  assert_int_equal(play(&room, &stimulus, 0.5, 0.5, &capture, &report), RB_OK);
  double edge_frames = 0.010 * RATE_HZ;
  size_t start = report.located.stimulus_start - fake.latency_frames;
  size_t end = start + stimulus.n_frames;
  for (size_t i = start; i < end; i++) {
    double step = fabs((double)fake.last_play[2 * i] - (double)fake.last_play[2 * i - 2]);
    assert_at_most(step, 0.5 * RB_PI / 2 / edge_frames * 1.02); // steepest step of that cosine
  }
  assert_near((double)fake.last_play[2 * (start + (size_t)edge_frames + 1)], 0.5, 1e-6);
  assert_near((double)fake.last_play[2 * (end - (size_t)edge_frames - 2)], 0.5, 1e-6);
  assert_near((double)fake.last_play[2 * end], 0, 1e-9);
  for (size_t i = 0; i < (size_t)(0.1 * RATE_HZ); i++)
    assert_near((double)fake.last_play[2 * i], 0, 0); // silent lead-in
  assert_near((double)fake.last_play[2 * fake.n_last - 2], 0, 0);
  close_room(&room);
}

static void beside_silence_the_markers_are_quiet(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  open_room(&room, calibrated_bench());
  assert_int_equal(play_tone(&room, 0, 0, &report), RB_OK);
  assert_true(fake.played_peak[0][0] > 0 && fake.played_peak[0][1] > 0);
  assert_at_most(fake.played_peak[0][0], rb_ratio_from_db(-59.9));
  assert_int_equal(play_tone(&room, 0.2, 0, &report), RB_OK); // a channel not driven stays silent
  assert_near(fake.played_peak[1][1], 0, 0);
  close_room(&room);
}

// ---- what comes back ----------------------------------------------------------------------------

static void the_capture_is_the_stimulus_alone(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  rb_capture capture;
  open_room(&room, calibrated_bench());
  fake.gain[0] = 0.5;
  fake.gain[1] = -0.25;
  fake.noise_rms = 0;
  rb_stimulus stimulus = tone(room.arena, 0.5, 997);
  assert_int_equal(rb_guard_exchange(room.guard, &stimulus, (double[]){0.5, 0.5}, 0.05, NULL, NULL,
                                     room.arena, &capture, &report, &room.err),
                   RB_OK);
  assert_int_equal(report.attempts, 1);
  assert_int_equal(report.located.missing_frames, 0);
  assert_near(report.located.latency_s, 700.0 / RATE_HZ, 1e-6);
  assert_int_equal(capture.n_frames, stimulus.n_frames + (size_t)(0.05 * RATE_HZ));
  for (size_t i = 500; i < stimulus.n_frames - 500; i++) {
    assert_near((double)capture.frames[2 * i], 0.25 * stimulus.left[i], 1e-6);
    assert_near((double)capture.frames[2 * i + 1], -0.125 * stimulus.right[i], 1e-6);
  }
  close_room(&room);
}

static void a_capture_with_lost_frames_is_taken_again_three_times_and_then_refused(void **state)
{
  (void)state;
  const struct {
    long lost_frames;
    int n_losing;
    rb_status status;
    unsigned attempts;
  } cases[] = {
      {512, 0, RB_OK, 1},         {512, 1, RB_OK, 2},          {64, 3, RB_OK, 4},
      {-1024, 3, RB_OK, 4},       {512, 4, RB_LOST_FRAMES, 4}, {-480, 9, RB_LOST_FRAMES, 4},
      {16, 9, RB_LOST_FRAMES, 4},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    test_bed room;
    rb_guard_report report;
    open_room(&room, calibrated_bench());
    fake.n_losing = cases[i].n_losing;
    fake.lost_frames = cases[i].lost_frames;
    assert_int_equal(play_tone(&room, 0.5, 0.5, &report), cases[i].status);
    assert_int_equal(report.attempts, cases[i].attempts);
    assert_int_equal(fake.n_exchanges, cases[i].attempts);
    if (cases[i].status != RB_OK)
      assert_non_null(strstr(room.err.message, cases[i].lost_frames > 0 ? "lost" : "inserted"));
    close_room(&room);
  }
}

static void silence_that_comes_back_is_no_signal(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  open_room(&room, calibrated_bench());
  fake.gain[0] = fake.gain[1] = 0;
  assert_int_equal(play_tone(&room, 0.5, 0.5, &report), RB_NO_SIGNAL);
  assert_int_equal(fake.n_exchanges, 2);
  assert_non_null(strstr(room.err.message, "Is the amplifier on"));
  close_room(&room);
}

static void a_long_latency_is_given_a_longer_tail(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  open_room(&room, calibrated_bench());
  fake.latency_frames = RATE_HZ;
  assert_int_equal(play_tone(&room, 0.5, 0.5, &report), RB_OK);
  assert_int_equal(report.attempts, 2);
  close_room(&room);
}

static void what_the_rig_refuses_is_not_tried_again(void **state)
{
  (void)state;
  const rb_status answers[] = {RB_DEVICE, RB_CANCELLED, RB_CLIPPED};
  for (size_t i = 0; i < RB_LEN(answers); i++) {
    test_bed room;
    rb_guard_report report;
    open_room(&room, calibrated_bench());
    fake.answer = answers[i];
    assert_int_equal(play_tone(&room, 0.5, 0.5, &report), answers[i]);
    assert_int_equal(fake.n_exchanges, 1);
    if (answers[i] == RB_CLIPPED)
      assert_non_null(strstr(room.err.message, "attenuation"));
    close_room(&room);
  }
}

static void a_wish_to_stop_reaches_the_rig_and_stops_what_has_not_begun(void **state)
{
  (void)state;
  test_bed room;
  rb_guard_report report;
  rb_capture capture;
  rb_cancel cancel = {0};
  open_room(&room, calibrated_bench());
  rb_stimulus stimulus = tone(room.arena, 0.1, 997);
  const double peak[2] = {0.1, 0.1};
  assert_int_equal(rb_guard_exchange(room.guard, &stimulus, peak, 0, &cancel, NULL, room.arena,
                                     &capture, &report, &room.err),
                   RB_OK);
  assert_ptr_equal(fake.cancel, &cancel);
  rb_cancel_request(&cancel);
  assert_int_equal(rb_guard_exchange(room.guard, &stimulus, peak, 0, &cancel, NULL, room.arena,
                                     &capture, &report, &room.err),
                   RB_CANCELLED);
  assert_int_equal(fake.n_exchanges, 1);
  double drive_dbfs[2] = {0};
  assert_int_equal(
      rb_guard_find_level(room.guard, 1000, 1, RB_BOTH, &cancel, room.arena, drive_dbfs, &room.err),
      RB_CANCELLED);
  assert_int_equal(fake.n_exchanges, 1);
  close_room(&room);
}

// ---- finding the level --------------------------------------------------------------------------

static rb_status find(test_bed *room, double power_w, rb_channel drive, double drive_dbfs[2])
{
  return rb_guard_find_level(room->guard, 1000, power_w, drive, NULL, room->arena, drive_dbfs,
                             &room->err);
}

static double power_at(const test_bed *room, unsigned channel, double drive_dbfs)
{
  double captured_peak = amplified(channel, rb_ratio_from_db(drive_dbfs));
  return rb_watts(captured_peak * room->bench.load_vrms_per_fs[channel], room->bench.load_ohm);
}

// In the bursts so far: the first far below, no rise over 20 dB, nothing over `most_dbfs`.
static void assert_careful(unsigned channel, double found_dbfs, double most_dbfs)
{
  assert_at_most(rb_db_from_ratio(fake.played_peak[0][channel]), found_dbfs - 40);
  for (unsigned i = 0; i < fake.n_exchanges; i++) {
    double now_dbfs = rb_db_from_ratio(fake.played_peak[i][channel]);
    assert_at_most(now_dbfs, most_dbfs + 0.01);
    if (i > 0)
      assert_at_most(now_dbfs - rb_db_from_ratio(fake.played_peak[i - 1][channel]), 20.01);
  }
}

static void the_level_is_found_from_far_below_whatever_the_gain(void **state)
{
  (void)state;
  // 1 W in 8 ohm is 2.83 V rms, a captured peak of 0.1414 with 20 V at full scale: −17 dBFS.
  const double gains_db[] = {-16, -10, 0, 10, 20, 30};
  for (size_t i = 0; i < RB_LEN(gains_db); i++) {
    test_bed room;
    double drive_dbfs[2];
    open_room(&room, calibrated_bench());
    fake.gain[0] = rb_ratio_from_db(gains_db[i]);
    fake.gain[1] = rb_ratio_from_db(gains_db[i] - 0.7); // the two channels never match
    assert_int_equal(find(&room, 1, RB_BOTH, drive_dbfs), RB_OK);
    for (unsigned c = 0; c < 2; c++) {
      assert_near(rb_db_from_power(power_at(&room, c, drive_dbfs[c])), 0, 0.035);
      assert_careful(c, drive_dbfs[c], drive_dbfs[c] + 0.06);
    }
    assert_true(fake.n_exchanges <= 12);
    close_room(&room);
  }
}

static void an_amplifier_that_compresses_is_followed_to_its_power(void **state)
{
  (void)state;
  test_bed room;
  double drive_dbfs[2];
  open_room(&room, calibrated_bench());
  // limit·tanh: 1 W (peak 0.1414) at a limit of 0.18 is 4 dB into compression.
  fake.limit_peak[0] = fake.limit_peak[1] = 0.18;
  assert_int_equal(find(&room, 1, RB_LEFT, drive_dbfs), RB_OK);
  // The fundamental of the compressed sine, by Fourier's integral, must be 1 W.
  double fundamental = 0;
  for (int k = 0; k < 1000; k++) {
    double phase = 2 * RB_PI * k / 1000;
    fundamental +=
        2.0 / 1000 * sin(phase) * amplified(0, rb_ratio_from_db(drive_dbfs[0]) * sin(phase));
  }
  assert_near(rb_db_from_power(rb_watts(fundamental * 20, 8)), 0, 0.035);
  assert_careful(0, drive_dbfs[0], drive_dbfs[0] + 0.5);
  close_room(&room);
}

static void an_amplifier_that_limits_below_the_power_is_not_driven_on(void **state)
{
  (void)state;
  test_bed room;
  double drive_dbfs[2];
  open_room(&room, calibrated_bench());
  fake.limit_peak[0] = 0.10; // a square wave of it has a fundamental of 0.127, under 0.1414
  assert_int_equal(find(&room, 1, RB_LEFT, drive_dbfs), RB_UNSAFE);
  assert_non_null(strstr(room.err.message, "limits"));
  close_room(&room);
}

static void nothing_comes_back_and_nothing_gets_loud(void **state)
{
  (void)state;
  const struct {
    double gain, hum_peak;
  } cases[] = {{0, 0}, {1e-5, 0}, {1, 0.1}, {1e-4, 1e-6}};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    test_bed room;
    double drive_dbfs[2];
    open_room(&room, calibrated_bench());
    fake.gain[0] = fake.gain[1] = cases[i].gain;
    fake.hum_peak = cases[i].hum_peak;
    assert_int_equal(find(&room, 1, RB_BOTH, drive_dbfs), RB_NO_SIGNAL);
    assert_non_null(strstr(room.err.message, "Is the amplifier on"));
    for (unsigned k = 0; k < fake.n_exchanges; k++)
      assert_at_most(rb_db_from_ratio(fake.played_peak[k][0]), -39.99);
    close_room(&room);
  }
}

static void a_power_the_bench_does_not_allow_is_refused(void **state)
{
  (void)state;
  test_bed room;
  double drive_dbfs[2];
  rb_bench bench = calibrated_bench();
  open_room(&room, bench);
  assert_int_equal(find(&room, 10.5, RB_BOTH, drive_dbfs), RB_UNSAFE); // ceiling 10 W
  assert_int_equal(find(&room, NAN, RB_BOTH, drive_dbfs), RB_BAD_ARG);
  assert_int_equal(fake.n_exchanges, 0);
  close_room(&room);

  bench.ceiling_dbfs = -20; // and at gain 1, 1 W needs −17 dBFS
  open_room(&room, bench);
  assert_int_equal(find(&room, 1, RB_BOTH, drive_dbfs), RB_UNSAFE);
  for (unsigned k = 0; k < fake.n_exchanges; k++)
    assert_at_most(rb_db_from_ratio(fake.played_peak[k][0]), -19.99);
  close_room(&room);

  bench = calibrated_bench();
  bench.load_vrms_per_fs[1] = 2.9; // 1 W is nearly this input's full scale
  open_room(&room, bench);
  assert_int_equal(find(&room, 1, RB_RIGHT, drive_dbfs), RB_CLIPPED);
  assert_int_equal(fake.n_exchanges, 0);
  close_room(&room);

  bench.calibrated = false;
  open_room(&room, bench);
  assert_int_equal(find(&room, 1, RB_LEFT, drive_dbfs), RB_NOT_CALIBRATED);
  assert_int_equal(fake.n_exchanges, 0);
  close_room(&room);
}

static void one_channel_alone_leaves_the_other_silent(void **state)
{
  (void)state;
  test_bed room;
  double drive_dbfs[2] = {-123, -123};
  open_room(&room, calibrated_bench());
  assert_int_equal(find(&room, 0.5, RB_RIGHT, drive_dbfs), RB_OK);
  assert_near(drive_dbfs[0], -123, 0);
  for (unsigned k = 0; k < fake.n_exchanges; k++)
    assert_near(fake.played_peak[k][0], 0, 0);
  close_room(&room);
}

static void once_the_gain_is_known_the_ceiling_in_watts_holds_for_every_signal(void **state)
{
  (void)state;
  test_bed room;
  double drive_dbfs[2];
  rb_guard_report report;
  open_room(&room, calibrated_bench());
  assert_int_equal(find(&room, 1, RB_BOTH, drive_dbfs), RB_OK);
  double peak = rb_ratio_from_db(drive_dbfs[0]);
  unsigned before = fake.n_exchanges;
  assert_int_equal(play_tone(&room, 4 * peak, peak, &report), RB_UNSAFE); // 16 W of 10
  assert_non_null(strstr(room.err.message, "16 W"));
  assert_int_equal(fake.n_exchanges, before);
  assert_int_equal(play_tone(&room, 3 * peak, peak, &report), RB_OK); // 9 W
  close_room(&room);
}

static void a_level_that_never_settles_is_an_error(void **state)
{
  (void)state;
  test_bed room;
  double drive_dbfs[2];
  open_room(&room, calibrated_bench());
  fake.gain_wobble_db = 1.5;
  assert_int_equal(find(&room, 1, RB_BOTH, drive_dbfs), RB_NO_CONVERGENCE);
  close_room(&room);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_peak_over_the_ceiling_is_refused_before_any_sound),
      cmocka_unit_test(a_signal_that_is_not_one_is_refused_before_any_sound),
      cmocka_unit_test(every_start_and_end_is_a_ramp_of_10_ms),
      cmocka_unit_test(beside_silence_the_markers_are_quiet),
      cmocka_unit_test(the_capture_is_the_stimulus_alone),
      cmocka_unit_test(a_capture_with_lost_frames_is_taken_again_three_times_and_then_refused),
      cmocka_unit_test(silence_that_comes_back_is_no_signal),
      cmocka_unit_test(a_long_latency_is_given_a_longer_tail),
      cmocka_unit_test(what_the_rig_refuses_is_not_tried_again),
      cmocka_unit_test(a_wish_to_stop_reaches_the_rig_and_stops_what_has_not_begun),
      cmocka_unit_test(the_level_is_found_from_far_below_whatever_the_gain),
      cmocka_unit_test(an_amplifier_that_compresses_is_followed_to_its_power),
      cmocka_unit_test(an_amplifier_that_limits_below_the_power_is_not_driven_on),
      cmocka_unit_test(nothing_comes_back_and_nothing_gets_loud),
      cmocka_unit_test(a_power_the_bench_does_not_allow_is_refused),
      cmocka_unit_test(one_channel_alone_leaves_the_other_silent),
      cmocka_unit_test(once_the_gain_is_known_the_ceiling_in_watts_holds_for_every_signal),
      cmocka_unit_test(a_level_that_never_settles_is_an_error),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
