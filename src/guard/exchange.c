// SPDX-License-Identifier: GPL-3.0-or-later
#include "guard_internal.h"
#include "rollbook/base/log.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <stdlib.h>

enum {
  MOST_ATTEMPTS = 4, // one, and three more
  MOST_SILENT = 2,   // attempts when nothing comes back at all
};

static const double quiet_peak = 0.001;   // a marker on a bench of which nothing is known
static const double quiet_power_w = 0.01; // and where the amplifier's gain is known

typedef struct job {
  const rb_stimulus *stimulus;
  const double *peak;
  double tail_s;
  const rb_cancel *cancel;
  const rb_progress *progress;
  rb_arena *arena;
} job;

// What attempts of one exchange have shown so far.
typedef struct history {
  unsigned attempts;
  unsigned located;    // in so many of them all markers were found
  unsigned silent;     // in so many nothing came back at all
  long missing_frames; // of the last that was located
} history;

static double largest(const double *samples, size_t n)
{
  double most = 0;
  for (size_t i = 0; i < n; i++) {
    if (!isfinite(samples[i]))
      return INFINITY;
    most = fmax(most, fabs(samples[i]));
  }
  return most;
}

static rb_status check_channel(const rb_guard *guard, double peak, unsigned channel, rb_err *err)
{
  const char *name = rb_channel_name((rb_channel)channel);
  if (!(peak >= 0) || !isfinite(peak))
    return rb_fail(err, RB_BAD_ARG, "A peak of %g on %s cannot be played.", peak, name);
  double ceiling = rb_ratio_from_db(guard->bench.ceiling_dbfs);
  if (peak > ceiling * (1 + 1e-9))
    return rb_fail(err, RB_UNSAFE,
                   "Refused: %.2f dBFS on %s is over the bench's ceiling of %.2f dBFS. Nothing was "
                   "played.",
                   rb_db_from_ratio(peak), name, guard->bench.ceiling_dbfs);
  // 2 % of voltage: an amplifier whose gain drifted by so little was not asked for more power.
  if (peak > highest_peak(guard, channel) * 1.02)
    return rb_fail(err, RB_UNSAFE,
                   "Refused: %.2f dBFS on %s would put %.3g W into the load; the bench's ceiling "
                   "is %.3g W. Nothing was played.",
                   rb_db_from_ratio(peak), name,
                   rb_watts(peak * guard->gain_vrms[channel], guard->bench.load_ohm),
                   guard->bench.ceiling_w);
  return RB_OK;
}

static rb_status check_job(const rb_guard *guard, const job *asked, rb_err *err)
{
  const rb_stimulus *stimulus = asked->stimulus;
  double rate_hz = rb_rig_granted(guard->rig)->rate_hz;
  if (fabs(stimulus->rate_hz - rate_hz) > 1e-6 * rate_hz)
    return rb_fail(err, RB_BUG, "A signal made for %g Hz was given to a rig at %g Hz.",
                   stimulus->rate_hz, rate_hz);
  double most = fmax(largest(stimulus->left, stimulus->n_frames),
                     largest(stimulus->right, stimulus->n_frames));
  if (!stimulus->n_frames || !(most <= 1 + 1e-9))
    return rb_fail(err, RB_BUG, "A signal of %zu frames with peak %g was given to the guard.",
                   stimulus->n_frames, most);
  if (!(asked->tail_s >= 0 && asked->tail_s <= 600))
    return rb_fail(err, RB_BAD_ARG, "A tail of %g s cannot be captured.", asked->tail_s);
  for (unsigned c = 0; c < 2; c++)
    RB_TRY(check_channel(guard, asked->peak[c], c, err));
  return RB_OK;
}

// A marker must be heard above noise and hum, and yet be nothing the amplifier was not given
// before: it is as loud as its stimulus, and beside silence as loud as is known to be quiet.
static double quiet_marker(const rb_guard *guard, unsigned channel)
{
  double peak = fmax(quiet_peak, guard->loudest_peak[channel] / 10);
  if (guard->gain_vrms[channel] > 0)
    peak = rb_vrms_from_watts(quiet_power_w, guard->bench.load_ohm) / guard->gain_vrms[channel];
  return fmin(peak, highest_peak(guard, channel));
}

static void choose_markers(const rb_guard *guard, const job *asked, double marker_peak[2])
{
  const double *const samples[2] = {asked->stimulus->left, asked->stimulus->right};
  bool driven[2];
  for (unsigned c = 0; c < 2; c++)
    driven[c] = asked->peak[c] > 0 && largest(samples[c], asked->stimulus->n_frames) > 0;
  bool silence = !driven[0] && !driven[1];
  for (unsigned c = 0; c < 2; c++)
    marker_peak[c] = driven[c] || silence ? fmin(fmax(asked->peak[c], quiet_marker(guard, c)),
                                                 highest_peak(guard, c))
                                          : 0;
}

static rb_status render(const rb_guard *guard, const job *asked, const rb_framing *framing,
                        float **play, rb_err *err)
{
  double marker_peak[2];
  choose_markers(guard, asked, marker_peak);
  *play = rb_arena_alloc(asked->arena, framing->n_frames, 2 * sizeof **play);
  if (!*play || rb_framing_render(framing, asked->stimulus, asked->peak, marker_peak, asked->arena,
                                  *play) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a signal of %zu frames.", framing->n_frames);
  return check_play(guard, *play, framing->n_frames, err);
}

// Whether the capture is no louder than its first `n_lead` frames, when nothing can have come yet.
static bool is_silent(const rb_capture *capture, size_t n_lead)
{
  static const float heard_ratio = 4; // peak against peak: noise alone does not reach it
  float lead_peak = 0, peak = 0;
  for (size_t i = 0; i < 2 * capture->n_frames; i++) {
    float size = fabsf(capture->frames[i]);
    if (i < 2 * n_lead)
      lead_peak = fmaxf(lead_peak, size);
    peak = fmaxf(peak, size);
  }
  return peak <= heard_ratio * lead_peak;
}

// One whole try: RB_LOST_FRAMES and RB_NO_SIGNAL may be tried again.
static rb_status attempt(rb_guard *guard, const job *asked, const history *before,
                         rb_capture *capture, rb_located *located, rb_err *err)
{
  // A path with more latency than the tail has room for is given more.
  double extra_tail_s = before->located < before->attempts ? 2.0 : 0;
  const rb_rig_caps *caps = rb_rig_granted(guard->rig);
  margins around = margins_of(guard);
  rb_framing framing = rb_framing_for(asked->stimulus->n_frames, caps->rate_hz, around.lead_in_s,
                                      around.tail_s + extra_tail_s + asked->tail_s);
  size_t n_frames =
      framing.n_frames > caps->recorded_frames ? framing.n_frames : caps->recorded_frames;
  rb_capture whole = {.frames = rb_arena_alloc(asked->arena, n_frames, 2 * sizeof(float))};
  if (!whole.frames)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a capture of %zu frames.", n_frames);
  rb_arena_mark mark = rb_arena_save(asked->arena);
  float *play = NULL;
  if (caps->plays)
    RB_TRY(render(guard, asked, &framing, &play, err));
  const rb_exchange wanted = {.play = play,
                              .n_frames = n_frames,
                              .fresh = before->attempts > 0,
                              .cancel = asked->cancel,
                              .progress = asked->progress ? *asked->progress : (rb_progress){0}};
  RB_TRY(exchange_once(guard, &wanted, &whole, err));
  if (rb_framing_locate(&framing, &whole, asked->arena, located) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a capture of %zu frames.", n_frames);
  rb_arena_rewind(asked->arena, mark);
  if (!located->found)
    return is_silent(&whole, framing.marker_start) ? RB_NO_SIGNAL : RB_LOST_FRAMES;
  *capture =
      rb_framing_cut(&framing, located, &whole, (size_t)lround(asked->tail_s * caps->rate_hz));
  bool complete = capture->n_frames >= asked->stimulus->n_frames;
  return located->missing_frames == 0 && complete ? RB_OK : RB_LOST_FRAMES;
}

#define CURES                                                                                      \
  " Close other programs that use the card, or choose larger buffers (`;frames=4096` behind the "  \
  "card)."

static rb_status refuse(const rb_guard *guard, const history *past, rb_err *err)
{
  if (!rb_rig_granted(guard->rig)->plays && !past->located)
    return rb_fail(err, RB_NO_SIGNAL, "The recording does not hold this signal with its markers.");
  if (past->silent < past->attempts && past->missing_frames == 0)
    return rb_fail(err, RB_LOST_FRAMES,
                   "What came back is broken up or cut off, in each of %u attempts." CURES,
                   past->attempts);
  if (past->silent < past->attempts)
    return rb_fail(
        err, RB_LOST_FRAMES, "The sound path %s %ld frames, in each of %u attempts." CURES,
        past->missing_frames < 0 ? "inserted" : "lost", labs(past->missing_frames), past->attempts);
  return rb_fail(err, RB_NO_SIGNAL,
                 "Nothing of what was played came back. Is the amplifier on, the load connected, "
                 "and the input the right one?");
}

static bool goes_on(const rb_guard *guard, const history *past)
{
  if (!rb_rig_granted(guard->rig)->plays)
    return past->attempts == 0;
  // Where something was heard once there is a path, and it may work yet.
  bool silent = past->silent == past->attempts && past->silent >= MOST_SILENT;
  return past->attempts < MOST_ATTEMPTS && !silent;
}

static void remember_loudest(rb_guard *guard, const double peak[2])
{
  for (unsigned c = 0; c < 2; c++)
    guard->loudest_peak[c] = fmax(guard->loudest_peak[c], peak[c]);
}

rb_status rb_guard_exchange(rb_guard *guard, const rb_stimulus *stimulus, const double peak[2],
                            double tail_s, const rb_cancel *cancel, const rb_progress *progress,
                            rb_arena *arena, rb_capture *capture, rb_guard_report *report,
                            rb_err *err)
{
  const job asked = {stimulus, peak, tail_s, cancel, progress, arena};
  *report = (rb_guard_report){0};
  RB_TRY(check_job(guard, &asked, err));
  history past = {0};
  rb_arena_mark mark = rb_arena_save(arena);
  while (goes_on(guard, &past)) {
    rb_status status = attempt(guard, &asked, &past, capture, &report->located, err);
    report->attempts = ++past.attempts;
    if (status == RB_OK) {
      remember_loudest(guard, peak);
      return RB_OK;
    }
    rb_arena_rewind(arena, mark);
    *capture = (rb_capture){0};
    if (status != RB_LOST_FRAMES && status != RB_NO_SIGNAL)
      return status;
    past.silent += status == RB_NO_SIGNAL;
    past.located += report->located.found;
    if (report->located.found)
      past.missing_frames = report->located.missing_frames;
    rb_log(RB_LOG_INFO, "attempt %u: %s, %ld frames missing", past.attempts, rb_status_text(status),
           report->located.missing_frames);
  }
  return refuse(guard, &past, err);
}
