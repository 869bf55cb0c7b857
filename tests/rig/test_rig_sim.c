// SPDX-License-Identifier: GPL-3.0-or-later
#include "../../src/rig/sim_run.h"
#include "rollbook/amp/simulated.h"
#include "rollbook/base/units.h"
#include "rollbook/rig/rig.h"
#include "near.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { RATE = 48000 };

static rb_rig *open_rig(const char *uri, const rb_lineup *lineup)
{
  const rb_rig_want want = {.rate_hz = RATE, .load_ohm = 8, .sitting_seed = 5, .lineup = lineup};
  rb_rig *rig = NULL;
  rb_err err = {.message = ""};
  if (rb_rig_open(uri, &want, &rig, &err) != RB_OK)
    fail_msg("%s: %s", uri, err.message);
  return rig;
}

static float *silence(size_t n)
{
  float *play = calloc(2 * n, sizeof *play);
  assert_non_null(play);
  return play;
}

static float *tone(size_t n, double frequency_hz, double left, double right)
{
  float *play = silence(n);
  for (size_t i = 0; i < n; i++) {
    const double edge = fmin(fmin((double)i, (double)(n - i)) / 480, 1);
    const double x =
        (0.5 - 0.5 * cos(RB_PI * edge)) * sin(2 * RB_PI * fmod(frequency_hz * (double)i / RATE, 1));
    play[2 * i] = (float)(left * x);
    play[2 * i + 1] = (float)(right * x);
  }
  return play;
}

static rb_exchange exchange_of(const float *play, size_t n)
{
  return (rb_exchange){
      .play = play, .n_frames = n, .ramp_frames = 480, .clip_level = 1, .stall_s = 2};
}

/// Plays and returns what was captured; frees `play`.
static float *captured(rb_rig *rig, float *play, size_t n)
{
  rb_capture capture = {.frames = silence(n)};
  const rb_exchange exchange = exchange_of(play, n);
  rb_err err = {.message = ""};
  if (rb_rig_exchange(rig, &exchange, &capture, &err) != RB_OK)
    fail_msg("%s", err.message);
  assert_int_equal(capture.n_frames, n);
  assert_int_equal(capture.n_channels, 2);
  free(play);
  return capture.frames;
}

static complex double line_at(const float *frames, unsigned channel, size_t first, size_t n,
                              double frequency_hz)
{
  complex double sum = 0;
  double weight = 0;
  for (size_t i = 0; i < n; i++) {
    const double w = 1 - cos(2 * RB_PI * (double)i / (double)n);
    const double turn = fmod(frequency_hz * (double)(first + i) / RATE, 1);
    sum += w * (double)frames[2 * (first + i) + channel] * cexp(CMPLX(0, -2 * RB_PI * turn));
    weight += w;
  }
  return 2 * sum / weight;
}

static double rms(const float *frames, unsigned channel, size_t first, size_t n)
{
  double sum = 0;
  for (size_t i = first; i < first + n; i++)
    sum += (double)frames[2 * i + channel] * (double)frames[2 * i + channel];
  return sqrt(sum / (double)n);
}

static void wrong_options_are_explained(void **state)
{
  (void)state;
  static const struct {
    const char *uri, *says;
  } cases[] = {
      {"sim:sede=3", "mains_hz"},
      {"sim:sede=3", "'sede'"},
      {"sim:seed", "NAME=NUMBER"},
      {"sim:seed=x", "not a number"},
      {"sim:bits=99", "range 8 to 32"},
      {"sim:c1=-1", "out of its range"},
      {"sim:left.c9=1", "left.c9"},
      {"sim:bias_v=5", "out of its range"},
      {"sim:mains_hz=nan", "not a number"},
      {"sim:"
       "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
       "aaaaaaaaaaa=1",
       "too long"},
  };
  const rb_rig_want want = {.rate_hz = RATE, .load_ohm = 8};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_rig *rig = NULL;
    rb_err err = {.message = ""};
    assert_int_equal(rb_rig_open(cases[i].uri, &want, &rig, &err), RB_BAD_ARG);
    assert_null(rig);
    if (!strstr(err.message, cases[i].says))
      fail_msg("'%s' should say '%s'", err.message, cases[i].says);
  }
  const rb_rig_want slow = {.rate_hz = 11025, .load_ohm = 8};
  rb_rig *rig = NULL;
  assert_int_equal(rb_rig_open("sim:", &slow, &rig, NULL), RB_UNSUPPORTED);
}

static void any_length_goes_through(void **state)
{
  (void)state;
  static const size_t lengths[] = {1, 2, 7, 47, 480, 4801};
  rb_rig *rig = open_rig("sim:seed=2;warm_s=4000", NULL);
  for (size_t i = 0; i < RB_LEN(lengths); i++)
    free(captured(rig, silence(lengths[i]), lengths[i]));
  rb_rig_close(rig);
}

static void other_card_rates_go_through(void **state)
{
  (void)state;
  static const double rates[] = {44100, 88200, 96000, 192000};
  for (size_t i = 0; i < RB_LEN(rates); i++) {
    const rb_rig_want want = {.rate_hz = rates[i], .load_ohm = 8};
    rb_rig *rig = NULL;
    assert_int_equal(rb_rig_open("sim:warm_s=4000", &want, &rig, NULL), RB_OK);
    assert_near(rb_rig_granted(rig)->rate_hz, rates[i], 0);
    const size_t n = (size_t)(0.4 * rates[i]);
    float *play = silence(n);
    for (size_t k = 0; k < n; k++)
      play[2 * k] = play[2 * k + 1] = (float)(0.1 * sin(2 * RB_PI * 1000 * (double)k / rates[i]));
    free(captured(rig, play, n));
    assert_near_relative(rb_rig_meter_vrms(rig, 0), 0.1 * 36.67 / sqrt(2), 0.02);
    rb_rig_close(rig);
  }
}

static void silence_in_gives_the_floor_out(void **state)
{
  (void)state;
  rb_rig *rig = open_rig("sim:seed=2;warm_s=4000", NULL);
  float *frames = captured(rig, silence(RATE), RATE);
  for (unsigned c = 0; c < 2; c++) {
    const double floor_dbfs = rb_dbfs_from_rms(rms(frames, c, RATE / 2, RATE / 2));
    assert_at_most(floor_dbfs, -85); // hum of some 0.4 mV at the load, /20, re 2 V
    assert_at_most(-115, floor_dbfs);
  }
  free(frames);
  rb_rig_close(rig);
}

static void a_clipping_input_ends_the_exchange(void **state)
{
  (void)state;
  rb_rig *rig = open_rig("sim:warm_s=4000;adc_vpeak=0.2", NULL);
  const size_t n = 10 * RATE;
  float *play = tone(n, 1000, 0.3, 0);
  rb_capture capture = {.frames = silence(n)};
  const rb_exchange exchange = exchange_of(play, n);
  rb_err err = {.message = ""};
  assert_int_equal(rb_rig_exchange(rig, &exchange, &capture, &err), RB_CLIPPED);
  assert_non_null(strstr(err.message, "clipped"));
  assert_near(capture.frames[2 * (n - 1)], 0, 0); // it did not go on to the end
  free(play);
  free(capture.frames);
  rb_rig_close(rig);
}

static void cancel_now(void *payload, double done, double total)
{
  if (done > 0.1 * total)
    rb_cancel_request(payload);
}

static void a_cancelled_exchange_fades_and_ends(void **state)
{
  (void)state;
  rb_rig *rig = open_rig("sim:loopback=1;latency_ms=2", NULL);
  const size_t n = 10 * RATE;
  float *play = tone(n, 1000, 0.5, 0.5);
  rb_capture capture = {.frames = silence(n)};
  rb_cancel cancel = {.requested = false};
  rb_exchange exchange = exchange_of(play, n);
  exchange.cancel = &cancel;
  exchange.progress = (rb_progress){cancel_now, &cancel};
  assert_int_equal(rb_rig_exchange(rig, &exchange, &capture, NULL), RB_CANCELLED);
  size_t end = n;
  while (end > 0 && capture.frames[2 * (end - 1)] == 0)
    end--;
  assert_true(end > RATE / 2 && end < 3 * RATE);
  // The level falls over the ramp: no step larger than the tone's own steepest.
  double steepest = 0;
  for (size_t i = 1; i < end; i++)
    steepest =
        fmax(steepest, fabs((double)capture.frames[2 * i] - (double)capture.frames[2 * i - 2]));
  assert_at_most(steepest, 1.02 * 0.7 * 0.5 * 2 * RB_PI * 1000 / RATE);
  free(play);
  free(capture.frames);
  rb_rig_close(rig);
}

static void the_same_seed_gives_the_same_capture(void **state)
{
  (void)state;
  const size_t n = RATE / 2;
  float *frames[3];
  static const char *const uris[] = {"sim:seed=4;warm_s=4000", "sim:seed=4;warm_s=4000",
                                     "sim:seed=5;warm_s=4000"};
  for (int k = 0; k < 3; k++) {
    rb_rig *rig = open_rig(uris[k], NULL);
    frames[k] = captured(rig, tone(n, 1000, 0.1, 0.1), n);
    float *second = captured(rig, tone(n, 1000, 0.1, 0.1), n);
    assert_memory_not_equal(frames[k], second, 2 * n * sizeof(float)); // noise goes on
    free(second);
    rb_rig_close(rig);
  }
  assert_memory_equal(frames[0], frames[1], 2 * n * sizeof(float));
  assert_memory_not_equal(frames[0], frames[2], 2 * n * sizeof(float));
  for (int k = 0; k < 3; k++)
    free(frames[k]);
}

static void the_card_itself_is_clean_and_late_as_asked(void **state)
{
  (void)state;
  const size_t n = 2 * RATE;
  rb_rig *rig =
      open_rig("sim:loopback=1;latency_ms=5.2537;adc_noise=-150;dac_noise=-150;ac_hz=0", NULL);
  for (double frequency_hz = 40; frequency_hz < 21000; frequency_hz *= 4.7) {
    float *frames = captured(rig, tone(n, frequency_hz, 0.8, 0.8), n);
    const complex double first = line_at(frames, 0, RATE / 2, RATE, frequency_hz);
    assert_near_relative(cabs(first), 0.7 * 0.8, 1e-5);
    const double turn = carg(first) + RB_PI / 2 + 2 * RB_PI * frequency_hz * 5.2537e-3;
    assert_near(remainder(turn, 2 * RB_PI), 0, 1e-5);
    double left_over = 0;
    for (size_t i = RATE / 2; i < RATE + RATE / 2; i++) {
      const double angle = 2 * RB_PI * fmod(frequency_hz * (double)i / RATE, 1);
      const double e = (double)frames[2 * i] - creal(first * cexp(CMPLX(0, angle)));
      left_over += e * e / RATE;
    }
    assert_at_most(rb_db_from_ratio(sqrt(2 * left_over) / cabs(first)), -115);
    free(frames);
  }
  rb_rig_close(rig);
}

static void the_recorder_has_its_own_clock(void **state)
{
  (void)state;
  const size_t n = 4 * RATE;
  rb_rig *rig = open_rig("sim:loopback=1;clock_ppm=50;adc_noise=-150;dac_noise=-150", NULL);
  float *frames = captured(rig, tone(n, 5000, 0.5, 0.5), n);
  // A recorder that counts faster by 50 ppm sees the tone lower by as much.
  const double turned = carg(line_at(frames, 0, 3 * RATE, RATE / 2, 5000) /
                             line_at(frames, 0, 1 * RATE, RATE / 2, 5000));
  const double ppm = remainder(turned, 2 * RB_PI) / (2 * RB_PI * 2) / 5000 * 1e6;
  assert_near(ppm, -50 / (1 + 50e-6), 0.01);
  const complex double low = line_at(frames, 0, RATE, RATE, 5000 / (1 + 50e-6));
  assert_near_relative(cabs(low), 0.35, 1e-5);
  double left_over = 0;
  for (size_t i = RATE; i < 2 * RATE; i++) {
    const double angle = 2 * RB_PI * fmod(5000 / (1 + 50e-6) * (double)i / RATE, 1);
    const double e = (double)frames[2 * i] - creal(low * cexp(CMPLX(0, angle)));
    left_over += e * e / RATE;
  }
  assert_at_most(rb_db_from_ratio(sqrt(2 * left_over) / cabs(low)), -110);
  free(frames);
  rb_rig_close(rig);
}

static void polarity_can_be_turned(void **state)
{
  (void)state;
  double degrees[2];
  for (int k = 0; k < 2; k++) {
    rb_rig *rig = open_rig(k ? "sim:warm_s=4000;polarity=-1" : "sim:warm_s=4000", NULL);
    float *frames = captured(rig, tone(RATE, 1000, 0.1, 0.1), RATE);
    degrees[k] = rb_deg_from_rad(carg(line_at(frames, 0, RATE / 4, RATE / 2, 1000)));
    free(frames);
    rb_rig_close(rig);
  }
  assert_near(fabs(rb_fold_deg(degrees[0] - degrees[1])), 180, 0.01);
}

static void few_bits_are_heard_as_noise(void **state)
{
  (void)state;
  rb_rig *rig = open_rig("sim:loopback=1;bits=12", NULL);
  float *frames = captured(rig, silence(RATE), RATE);
  const double step = ldexp(1, -11);
  for (size_t i = 0; i < RATE; i++)
    assert_near(remainder((double)frames[2 * i], step), 0, 1e-12);
  // Steps with triangular dither: √(1/12 + 1/6) of a step.
  assert_near_relative(rms(frames, 0, 0, RATE), step / 2, 0.02);
  free(frames);
  rb_rig_close(rig);
}

static void the_meter_shows_what_the_capture_means(void **state)
{
  (void)state;
  rb_rig *rig = open_rig("sim:seed=3;warm_s=4000", NULL);
  float *frames = captured(rig, tone(2 * RATE, 997, 0.1, 0.25), 2 * RATE);
  for (unsigned c = 0; c < 2; c++) {
    const double vrms = cabs(line_at(frames, c, RATE / 2, RATE, 997)) / sqrt(2) * 2 * 20;
    assert_near_relative(rb_rig_meter_vrms(rig, c), vrms, 3e-4);
  }
  assert_near_relative(rb_watts(rb_rig_meter_vrms(rig, 0), 8), 0.85, 0.05);
  free(frames);
  rb_rig_close(rig);
}

static void time_passes_with_exchanges_and_waits(void **state)
{
  (void)state;
  rb_rig *rig = open_rig("sim:", NULL);
  assert_near(rb_rig_since_power_on_s(rig), 0, 0);
  free(captured(rig, tone(RATE, 1000, 0.1, 0.1), RATE));
  const double cold_vrms = rb_rig_meter_vrms(rig, 0);
  assert_int_equal(rb_rig_wait(rig, 1500, NULL, NULL), RB_OK);
  assert_near(rb_rig_since_power_on_s(rig), 1501, 1e-9);
  free(captured(rig, tone(RATE, 1000, 0.1, 0.1), RATE));
  assert_at_most(cold_vrms, 0.01 * rb_rig_meter_vrms(rig, 0));
  rb_cancel cancel = {.requested = true};
  assert_int_equal(rb_rig_wait(rig, 10, &cancel, NULL), RB_CANCELLED);
  rb_rig_close(rig);
}

/// A line-up on an amplifier whose sockets have names of its owner's.
static rb_lineup lineup_with(const char *role_type, rb_role role, rb_channel channel,
                             const char *truth)
{
  rb_lineup lineup = {.n_fittings = 1};
  lineup.amplifier.n_sockets = 1;
  rb_socket *socket = &lineup.amplifier.sockets[0];
  rb_text_copy(socket->name, sizeof socket->name, "Röhre 7");
  socket->role = role;
  socket->channel = channel;
  rb_text_copy(socket->type, sizeof socket->type, role_type);
  rb_fitting *fitting = &lineup.fittings[0];
  rb_text_copy(fitting->socket, sizeof fitting->socket, "Röhre 7");
  rb_text_copy(fitting->tube.type, sizeof fitting->tube.type, role_type);
  rb_text_copy(fitting->tube.label, sizeof fitting->tube.label, "A 1");
  rb_text_copy(fitting->tube.truth, sizeof fitting->tube.truth, truth);
  return lineup;
}

static void tubes_go_where_role_and_channel_say(void **state)
{
  (void)state;
  rb_lineup lineup = lineup_with("EL34", RB_OUTPUT_PULL, RB_RIGHT, "gm=0.8");
  rb_rig *rig = open_rig("sim:warm_s=4000", &lineup);
  float *frames = captured(rig, tone(RATE, 1000, 0.1, 0.1), RATE);
  double h2_db[2];
  for (unsigned c = 0; c < 2; c++)
    h2_db[c] = rb_db_from_ratio(cabs(line_at(frames, c, RATE / 4, RATE / 2, 2000)) /
                                cabs(line_at(frames, c, RATE / 4, RATE / 2, 1000)));
  assert_at_most(h2_db[0], -75);
  assert_at_most(-62, h2_db[1]);
  free(frames);
  rb_rig_close(rig);
}

static void a_tube_that_does_not_fit_is_refused(void **state)
{
  (void)state;
  const rb_lineup wrong[] = {
      lineup_with("6SN7", RB_OUTPUT_PULL, RB_RIGHT, ""),
      lineup_with("EL34", RB_OUTPUT_PULL, RB_RIGHT, "gm=0.8;foo=1"),
      lineup_with("X99", RB_OUTPUT_PULL, RB_RIGHT, ""),
  };
  static const char *const says[] = {"does not fit", "'foo'", "no tube type 'X99'"};
  for (size_t i = 0; i < RB_LEN(wrong); i++) {
    const rb_rig_want want = {.rate_hz = RATE, .load_ohm = 8, .lineup = &wrong[i]};
    rb_rig *rig = NULL;
    rb_err err = {.message = ""};
    assert_int_not_equal(rb_rig_open("sim:", &want, &rig, &err), RB_OK);
    assert_non_null(strstr(err.message, says[i]));
    assert_non_null(strstr(err.message, "A 1"));
  }
}

static void a_knock_makes_a_microphonic_tube_ring(void **state)
{
  (void)state;
  const rb_lineup lineup = lineup_with("6SL7", RB_VOLTAGE_AMPLIFIER, RB_LEFT,
                                       "ring=1137.5;ring_decay=0.12;ring_level=5e-8");
  rb_rig *rig = open_rig("sim:warm_s=4000", &lineup);
  const size_t n = RATE, after = (size_t)(0.55 * RATE), before = (size_t)(0.35 * RATE);
  assert_int_equal(rb_rig_tap(rig, "V99", NULL), RB_NOT_FOUND);
  assert_int_equal(rb_rig_tap(rig, "Röhre 7", NULL), RB_OK);
  float *frames = captured(rig, silence(n), n);
  const double ringing = cabs(line_at(frames, 0, after, 4800, 1137.5));
  assert_at_most(10 * cabs(line_at(frames, 0, before, 4800, 1137.5)), ringing);
  // It dies away with its own time constant: two looks 0.2 s apart.
  const double later = cabs(line_at(frames, 0, after + 9600, 4800, 1137.5));
  assert_near(log(ringing / later), 0.2 / 0.12, 0.1);
  free(frames);
  frames = captured(rig, silence(n), n); // one knock, one exchange
  assert_at_most(10 * cabs(line_at(frames, 0, after, 4800, 1137.5)), ringing);
  free(frames);
  rb_rig_close(rig);
}

static void the_internal_rate_follows_what_is_played(void **state)
{
  (void)state;
  static const struct {
    double frequency_hz, peak;
    unsigned over;
  } rows[] = {{997, 0.1, 2},  {5000, 0.3, 2},  {997, 0.62, 4},  {997, 0.9, 8},
              {7000, 0.1, 4}, {11000, 0.1, 4}, {13000, 0.1, 8}, {19000, 0.1, 8}};
  sim_options options;
  rb_amp_setup setup = rb_amp_setup_default();
  assert_int_equal(sim_options_read("", &options, &setup, NULL), RB_OK);
  for (size_t i = 0; i < RB_LEN(rows); i++) {
    float *play = tone(RATE, rows[i].frequency_hz, rows[i].peak, 0);
    assert_int_equal(sim_oversampling(&options, play, RATE, RATE), rows[i].over);
    free(play);
  }
  options.internal_rate = 192000;
  float *play = silence(100);
  assert_int_equal(sim_oversampling(&options, play, 100, 44100), 8);
  free(play);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(wrong_options_are_explained),
      cmocka_unit_test(any_length_goes_through),
      cmocka_unit_test(other_card_rates_go_through),
      cmocka_unit_test(silence_in_gives_the_floor_out),
      cmocka_unit_test(a_clipping_input_ends_the_exchange),
      cmocka_unit_test(a_cancelled_exchange_fades_and_ends),
      cmocka_unit_test(the_same_seed_gives_the_same_capture),
      cmocka_unit_test(the_card_itself_is_clean_and_late_as_asked),
      cmocka_unit_test(the_recorder_has_its_own_clock),
      cmocka_unit_test(polarity_can_be_turned),
      cmocka_unit_test(few_bits_are_heard_as_noise),
      cmocka_unit_test(the_meter_shows_what_the_capture_means),
      cmocka_unit_test(time_passes_with_exchanges_and_waits),
      cmocka_unit_test(tubes_go_where_role_and_channel_say),
      cmocka_unit_test(a_tube_that_does_not_fit_is_refused),
      cmocka_unit_test(a_knock_makes_a_microphonic_tube_ring),
      cmocka_unit_test(the_internal_rate_follows_what_is_played),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
