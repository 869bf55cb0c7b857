// SPDX-License-Identifier: GPL-3.0-or-later
#include "guard_internal.h"
#include "rollbook/base/log.h"
#include "rollbook/base/units.h"

#include <math.h>

enum { MOST_BURSTS = 24 };

static const double first_dbfs = -90;   // at least 40 dB under any drive that makes sense
static const double blind_rise_db = 10; // while nothing is heard
static const double blind_ceiling_dbfs = -40;
static const double far_gap_db = 21; // farther than this from the target, rise by …
static const double far_rise_db = 20;
static const double near_gap_db = 2;  // nearer than this, go by the slope just measured
static const double near_rise_db = 3; // at most
static const double aim_below_db = 1; // between the two
static const double tolerance_db = 0.03;
static const double absurd_gain_db = 60;  // from play to capture, either way
static const double audible_ratio = 10;   // over what is heard without the burst
static const double faintest_peak = 1e-6; // −120 dBFS

static const double burst_s = 0.5;
static const double edge_s = 0.020;
static const double look_s = 0.1; // one window of analysis
static const double step_s = 0.02;
static const double settled_s = 0.25; // the end of a burst, where the level is read

typedef struct channel_state {
  bool driven, heard, done;
  double drive_dbfs, level_dbfs;             // of the last burst
  double previous_dbfs, previous_level_dbfs; // of the one before
  double rise_db;                            // to the next
} channel_state;

typedef struct search {
  rb_guard *guard;
  double frequency_hz, power_w, rate_hz;
  const rb_cancel *cancel;
  rb_arena *arena;
  channel_state channels[2];
  size_t n_frames, burst_start;
  float *play;
  rb_capture capture;
} search;

// ---- one burst ----------------------------------------------------------------------------------

static void render_burst(search *s, unsigned channel, double peak)
{
  size_t n_burst = (size_t)(burst_s * s->rate_hz), n_edge = (size_t)(edge_s * s->rate_hz);
  double step = 2 * RB_PI * s->frequency_hz / s->rate_hz;
  for (size_t i = 0; i < s->n_frames; i++)
    s->play[2 * i + channel] = 0;
  for (size_t i = 0; i < n_burst; i++) {
    size_t from_edge = i < n_burst - 1 - i ? i : n_burst - 1 - i;
    double gain = from_edge >= n_edge
                      ? 1
                      : 0.5 - 0.5 * cos(RB_PI * ((double)from_edge + 0.5) / (double)n_edge);
    s->play[2 * (s->burst_start + i) + channel] = (float)(peak * gain * sin(step * (double)i));
  }
}

// Amplitude of the tone in `n` frames from `first`, under a Hann window.
static double tone_peak(const search *s, unsigned channel, size_t first, size_t n)
{
  double step = 2 * RB_PI * s->frequency_hz / s->rate_hz;
  double in_phase = 0, quadrature = 0, weight = 0;
  for (size_t i = 0; i < n; i++) {
    double window = 0.5 - 0.5 * cos(2 * RB_PI * ((double)i + 0.5) / (double)n);
    double sample = window * (double)s->capture.frames[2 * (first + i) + channel];
    in_phase += sample * cos(step * (double)i);
    quadrature += sample * sin(step * (double)i);
    weight += window;
  }
  return 2 * hypot(in_phase, quadrature) / weight;
}

// Looks along the capture: `background` is the most that is heard before the burst can be there,
// `at` the frame where the strongest stretch as long as a burst's flat part begins.
static double find_burst(const search *s, unsigned channel, double *background, size_t *at)
{
  size_t n_look = (size_t)(look_s * s->rate_hz), n_step = (size_t)(step_s * s->rate_hz);
  size_t n_looks = (s->n_frames - n_look) / n_step + 1;
  size_t n_flat = (size_t)((burst_s - 2 * edge_s - look_s) / step_s);
  double *peaks = rb_arena_doubles(s->arena, n_looks);
  if (!peaks)
    return -1;
  *background = 0;
  for (size_t k = 0; k < n_looks; k++) {
    peaks[k] = tone_peak(s, channel, k * n_step, n_look);
    if (k * n_step + n_look <= s->burst_start)
      *background = fmax(*background, peaks[k]);
  }
  double best = 0;
  *at = 0;
  for (size_t k = 0; k + n_flat <= n_looks; k++) {
    double sum = 0;
    for (size_t j = k; j < k + n_flat; j++)
      sum += peaks[j];
    if (sum > best) {
      best = sum;
      *at = k * n_step;
    }
  }
  return best / (double)n_flat;
}

static rb_status listen(search *s, unsigned channel, rb_err *err)
{
  channel_state *state = &s->channels[channel];
  rb_arena_mark mark = rb_arena_save(s->arena);
  double background = 0;
  size_t at = 0;
  double mean_peak = find_burst(s, channel, &background, &at);
  rb_arena_rewind(s->arena, mark);
  if (mean_peak < 0)
    return rb_fail(err, RB_NO_MEM, "Out of memory while finding the level.");
  size_t n_flat = (size_t)((burst_s - 2 * edge_s) * s->rate_hz);
  size_t n_settled = (size_t)(settled_s * s->rate_hz);
  size_t end = at + n_flat - (size_t)(step_s * s->rate_hz);
  double peak = tone_peak(s, channel, end - n_settled, n_settled);
  state->previous_level_dbfs = state->heard ? state->level_dbfs : -HUGE_VAL;
  state->heard = mean_peak > faintest_peak && mean_peak > audible_ratio * background && peak > 0;
  state->level_dbfs = rb_db_from_ratio(peak);
  rb_log(RB_LOG_DEBUG, "level: %s %.2f dBFS out, %.2f dBFS in%s",
         rb_channel_name((rb_channel)channel), state->drive_dbfs, state->level_dbfs,
         state->heard ? "" : " (not heard)");
  return RB_OK;
}

static rb_status play_burst(search *s, rb_err *err)
{
  for (unsigned c = 0; c < 2; c++)
    render_burst(s, c, s->channels[c].driven ? rb_ratio_from_db(s->channels[c].drive_dbfs) : 0);
  RB_TRY(check_play(s->guard, s->play, s->n_frames, err));
  const rb_exchange burst = {.play = s->play, .n_frames = s->n_frames, .cancel = s->cancel};
  RB_TRY(exchange_once(s->guard, &burst, &s->capture, err));
  for (unsigned c = 0; c < 2; c++)
    if (s->channels[c].driven)
      RB_TRY(listen(s, c, err));
  return RB_OK;
}

// ---- what comes next ----------------------------------------------------------------------------

static double target_dbfs(const search *s, unsigned channel)
{
  const rb_bench *bench = &s->guard->bench;
  return rb_db_from_ratio(rb_vrms_from_watts(s->power_w, bench->load_ohm) /
                          bench->load_vrms_per_fs[channel]);
}

static rb_status rise_blind(const channel_state *state, const char *name, double *rise_db,
                            rb_err *err)
{
  *rise_db = blind_rise_db;
  if (state->drive_dbfs + blind_rise_db <= blind_ceiling_dbfs + 1e-9)
    return RB_OK;
  return rb_fail(err, RB_NO_SIGNAL,
                 "No signal comes back on %s (played up to %.0f dBFS). Is the amplifier on, the "
                 "load connected, the input the right one?",
                 name, state->drive_dbfs);
}

static rb_status check_gain(const search *s, const channel_state *state, const char *name,
                            double gap_db, rb_err *err)
{
  double gain_db = state->level_dbfs - state->drive_dbfs;
  if (fabs(gain_db) > absurd_gain_db)
    return rb_fail(err, RB_NO_SIGNAL,
                   "From output to input %s has a gain of %.0f dB, which no bench has. Is the "
                   "amplifier on, the load connected, the input the right one?",
                   name, gain_db);
  double rose_db = state->drive_dbfs - state->previous_dbfs;
  double followed_db = state->level_dbfs - state->previous_level_dbfs;
  bool odd = isfinite(followed_db) && rose_db > 5 && fabs(followed_db - rose_db) > 6 && gap_db > 6;
  if (odd)
    return rb_fail(err, RB_NO_SIGNAL,
                   "What comes back on %s does not follow what is played: %.1f dB more out, %.1f "
                   "dB more in. Something else is heard there, or an automatic gain is on.",
                   name, rose_db, followed_db);
  double needed_dbfs = state->drive_dbfs + gap_db;
  if (needed_dbfs > s->guard->bench.ceiling_dbfs + tolerance_db)
    return rb_fail(err, RB_UNSAFE,
                   "Refused: %.3g W on %s needs %.1f dBFS, and the bench's ceiling is %.1f dBFS. "
                   "Turn the amplifier's volume up or raise the ceiling.",
                   s->power_w, name, needed_dbfs, s->guard->bench.ceiling_dbfs);
  return RB_OK;
}

// Near the target an amplifier may compress: go by how much of the last rise came out.
static rb_status rise_near(const search *s, const channel_state *state, const char *name,
                           double gap_db, double *rise_db, rb_err *err)
{
  double rose_db = state->drive_dbfs - state->previous_dbfs;
  double followed_db = state->level_dbfs - state->previous_level_dbfs;
  double slope = isfinite(followed_db) && fabs(rose_db) > 0.02 ? followed_db / rose_db : 1;
  if (gap_db > 0.1 && rose_db > 0.5 && slope < 0.1)
    return rb_fail(err, RB_UNSAFE,
                   "Stopped: the amplifier limits on %s at about %.3g W, under the %.3g W asked.",
                   name, s->power_w * rb_ratio_from_db(-2 * gap_db), s->power_w);
  slope = fmin(fmax(slope, 0.2), 1.5);
  *rise_db = fmin(gap_db / slope, near_rise_db);
  double room_db = s->guard->bench.ceiling_dbfs - state->drive_dbfs;
  if (*rise_db > room_db + tolerance_db)
    return rb_fail(err, RB_UNSAFE,
                   "Refused: %.3g W on %s needs more than the bench's ceiling of %.1f dBFS.",
                   s->power_w, name, s->guard->bench.ceiling_dbfs);
  *rise_db = fmin(*rise_db, room_db);
  return RB_OK;
}

static rb_status decide(search *s, unsigned channel, rb_err *err)
{
  channel_state *state = &s->channels[channel];
  const char *name = rb_channel_name((rb_channel)channel);
  if (!state->heard)
    return rise_blind(state, name, &state->rise_db, err);
  double gap_db = target_dbfs(s, channel) - state->level_dbfs;
  RB_TRY(check_gain(s, state, name, gap_db, err));
  state->done = fabs(gap_db) <= tolerance_db;
  state->rise_db = 0;
  if (state->done)
    return RB_OK;
  if (gap_db > far_gap_db)
    state->rise_db = far_rise_db;
  else if (gap_db > near_gap_db)
    state->rise_db = gap_db - aim_below_db;
  else
    return rise_near(s, state, name, gap_db, &state->rise_db, err);
  return RB_OK;
}

static void advance(channel_state *state)
{
  if (!state->driven || state->rise_db == 0)
    return;
  state->previous_dbfs = state->drive_dbfs;
  state->drive_dbfs += state->rise_db;
}

static rb_status run(search *s, rb_err *err)
{
  for (int burst = 0; burst < MOST_BURSTS; burst++) {
    RB_TRY(play_burst(s, err));
    bool done = true;
    for (unsigned c = 0; c < 2; c++) {
      if (!s->channels[c].driven)
        continue;
      RB_TRY(decide(s, c, err));
      done = done && s->channels[c].done;
    }
    if (done)
      return RB_OK;
    for (unsigned c = 0; c < 2; c++)
      advance(&s->channels[c]);
  }
  return rb_fail(err, RB_NO_CONVERGENCE,
                 "The level does not settle at %.3g W: what comes back changes from burst to "
                 "burst. Let the amplifier warm up, and look for a loose contact.",
                 s->power_w);
}

// ---- the whole ----------------------------------------------------------------------------------

static rb_status check_asked(const rb_guard *guard, double frequency_hz, double power_w,
                             const rb_channel drive, rb_err *err)
{
  const rb_bench *bench = &guard->bench;
  double rate_hz = rb_rig_granted(guard->rig)->rate_hz;
  if (!rb_rig_granted(guard->rig)->plays)
    return rb_fail(err, RB_UNSUPPORTED, "A recording has its level already; none can be found.");
  if (!(frequency_hz >= 50 && frequency_hz < 0.45 * rate_hz))
    return rb_fail(err, RB_BAD_ARG, "The level cannot be found at %g Hz; use 50 Hz to %.0f Hz.",
                   frequency_hz, 0.45 * rate_hz);
  if (!(power_w > 0) || !(bench->load_ohm > 0))
    return rb_fail(err, RB_BAD_ARG, "A power of %g W into %g ohm cannot be found.", power_w,
                   bench->load_ohm);
  if (power_w > bench->ceiling_w * (1 + 1e-9))
    return rb_fail(err, RB_UNSAFE, "Refused: %.3g W is over the bench's ceiling of %.3g W.",
                   power_w, bench->ceiling_w);
  for (unsigned c = 0; c < 2; c++) {
    if (drive != RB_BOTH && drive != (rb_channel)c)
      continue;
    if (!bench->calibrated || !(bench->load_vrms_per_fs[c] > 0))
      return rb_fail(err, RB_NOT_CALIBRATED,
                     "The bench does not know volts on %s yet: run `rollbook bench calibrate`.",
                     rb_channel_name((rb_channel)c));
    double wanted_vrms = rb_vrms_from_watts(power_w, bench->load_ohm);
    if (wanted_vrms > 0.95 * bench->load_vrms_per_fs[c])
      return rb_fail(err, RB_CLIPPED,
                     "%.3g W (%.3g V) would clip the input on %s, which takes %.3g V at the load. "
                     "Use more attenuation or less input gain, and calibrate again.",
                     power_w, wanted_vrms, rb_channel_name((rb_channel)c),
                     bench->load_vrms_per_fs[c]);
  }
  return RB_OK;
}

static void set_up(search *s, rb_channel drive)
{
  margins around = margins_of(s->guard);
  s->burst_start = (size_t)((around.lead_in_s + look_s) * s->rate_hz);
  s->n_frames = s->burst_start + (size_t)((burst_s + around.tail_s) * s->rate_hz);
  double start_dbfs = fmin(first_dbfs, s->guard->bench.ceiling_dbfs - 50);
  for (unsigned c = 0; c < 2; c++)
    s->channels[c] = (channel_state){.driven = drive == RB_BOTH || drive == (rb_channel)c,
                                     .drive_dbfs = start_dbfs,
                                     .previous_dbfs = start_dbfs,
                                     .previous_level_dbfs = -HUGE_VAL};
  s->play = rb_arena_alloc(s->arena, s->n_frames, 2 * sizeof *s->play);
  s->capture.frames = rb_arena_alloc(s->arena, s->n_frames, 2 * sizeof *s->capture.frames);
}

static void keep(const search *s, double drive_dbfs[2])
{
  rb_guard *guard = s->guard;
  for (unsigned c = 0; c < 2; c++) {
    const channel_state *state = &s->channels[c];
    if (!state->driven)
      continue;
    drive_dbfs[c] = state->drive_dbfs;
    double drive_peak = rb_ratio_from_db(state->drive_dbfs);
    guard->gain_vrms[c] =
        rb_ratio_from_db(state->level_dbfs) * guard->bench.load_vrms_per_fs[c] / drive_peak;
    guard->loudest_peak[c] = fmax(guard->loudest_peak[c], drive_peak);
  }
}

rb_status rb_guard_find_level(rb_guard *guard, double frequency_hz, double power_w,
                              rb_channel drive, const rb_cancel *cancel, rb_arena *arena,
                              double drive_dbfs[2], rb_err *err)
{
  RB_TRY(check_asked(guard, frequency_hz, power_w, drive, err));
  // What was learned before was another setting of the volume control.
  for (unsigned c = 0; c < 2; c++)
    if (drive == RB_BOTH || drive == (rb_channel)c)
      guard->gain_vrms[c] = 0;
  search s = {.guard = guard,
              .frequency_hz = frequency_hz,
              .power_w = power_w,
              .rate_hz = rb_rig_granted(guard->rig)->rate_hz,
              .cancel = cancel,
              .arena = arena};
  rb_arena_mark mark = rb_arena_save(arena);
  set_up(&s, drive);
  rb_status status = s.play && s.capture.frames
                         ? run(&s, err)
                         : rb_fail(err, RB_NO_MEM, "Out of memory while finding the level.");
  rb_arena_rewind(arena, mark);
  if (status == RB_OK)
    keep(&s, drive_dbfs);
  return status;
}
