// SPDX-License-Identifier: GPL-3.0-or-later
#include "session.h"

#include "rollbook/base/units.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

// Lead-in, tail and starting of a stream, about; only for the time told.
static const double margins_s = 0.7;
// How long a second of sound takes where nothing is known yet, on a rig that computes it.
static const double first_guess_pace = 0.3;

// ---- telling ------------------------------------------------------------------------------------

static double now_s(const bench_session *session)
{
  return session->clock->monotonic_s(session->clock->payload);
}

// Wall seconds a second of sound takes: as measured, once there is enough of it.
static double pace_of(const bench_session *session, double played_s)
{
  if (rb_guard_caps(session->guard)->paced)
    return 1;
  const double wall_s = now_s(session) - session->time.started_s - session->time.waited_s;
  return played_s > 1 ? wall_s / played_s : first_guess_pace;
}

void session_tell(bench_session *session, const rb_event *event)
{
  if (session->watcher && session->watcher->tell)
    session->watcher->tell(session->watcher->payload, event);
}

static void tell_words(bench_session *session, rb_event_kind kind, const char *format,
                       va_list values)
{
  char words[RB_MESSAGE_SIZE];
  vsnprintf(words, sizeof words, format, values);
  session_tell(session, &(rb_event){.kind = kind, .text = words});
}

void session_stage(bench_session *session, const char *format, ...)
{
  va_list values;
  va_start(values, format);
  tell_words(session, RB_EVENT_STAGE, format, values);
  va_end(values);
}

void session_note(bench_session *session, const char *format, ...)
{
  va_list values;
  va_start(values, format);
  tell_words(session, RB_EVENT_NOTE, format, values);
  va_end(values);
}

static double level_vrms(const bench_session *session)
{
  const bool known = session->bench.calibrated && session->time.power_w > 0;
  return known ? rb_vrms_from_watts(session->time.power_w, session->bench.load_ohm) : 0;
}

static void tell_progress(bench_session *session, double share)
{
  const timing *time = &session->time;
  const double played_s = time->done_s + share * time->current_s;
  const double left_s = fmax(time->total_s - played_s, 0);
  const double waiting_s = rb_guard_caps(session->guard)->paced ? time->waiting_s : 0;
  const double remaining_s = left_s * pace_of(session, played_s) + waiting_s;
  session_tell(session, &(rb_event){.kind = RB_EVENT_PROGRESS,
                                    .done_s = played_s,
                                    .total_s = fmax(time->total_s, played_s),
                                    .remaining_s = remaining_s,
                                    .level_vrms = level_vrms(session)});
}

static void report_exchange(void *payload, double done, double total)
{
  tell_progress(payload, total > 0 ? done / total : 0);
}

// ---- time and sound -----------------------------------------------------------------------------

rb_status session_wait(bench_session *session, double duration_s, rb_err *err)
{
  const double began_s = now_s(session), slice_s = 1;
  for (double left_s = duration_s; left_s > 0; left_s -= slice_s) {
    RB_TRY(rb_guard_wait(session->guard, fmin(left_s, slice_s), session->cancel, err));
    session->time.waiting_s = fmax(session->time.waiting_s - slice_s, 0);
    tell_progress(session, 0);
  }
  if (session->time.started_s > 0)
    session->time.waited_s += now_s(session) - began_s;
  return RB_OK;
}

double session_step_s(const ready_step *step)
{
  const double rate_hz = step->stimulus.rate_hz;
  return (double)step->stimulus.n_frames / rate_hz + rb_framing_overhead_s(rate_hz) + margins_s;
}

rb_status session_play(bench_session *session, const ready_step *step, rb_arena *arena,
                       rb_capture *capture, rb_located *located, rb_err *err)
{
  rb_guard_report report = {.attempts = 0};
  const rb_progress progress = {.report = report_exchange, .payload = session};
  timing *time = &session->time;
  if (time->started_s <= 0)
    time->started_s = now_s(session);
  time->current_s = session_step_s(step);
  time->power_w = step->step.power_w;
  rb_status status = rb_guard_exchange(session->guard, &step->stimulus, step->peak, 0,
                                       session->cancel, &progress, arena, capture, &report, err);
  time->done_s += time->current_s;
  time->current_s = 0;
  tell_progress(session, 0);
  time->power_w = 0;
  *located = report.located;
  if (status != RB_OK)
    return rb_fail_within(err, status, "%s", step->condition);
  if (report.attempts > 1)
    session_note(session, "%s was taken again: the sound path lost frames.", step->condition);
  return RB_OK;
}

// ---- steps --------------------------------------------------------------------------------------

rb_status step_made(bench_session *session, const rb_signal *signal, const rb_step *step,
                    ready_step *ready, rb_err *err)
{
  *ready = (ready_step){.step = *step, .signal = *signal};
  RB_TRY(rb_procedure_for(signal, &ready->procedure, err));
  rb_condition(ready->condition, signal->name, step->power_w, step->drive);
  return ready->procedure->plan(&ready->signal, step->drive, rb_guard_caps(session->guard)->rate_hz,
                                session->arena, &ready->stimulus, err);
}

rb_status step_prepare(bench_session *session, const char *plan_file, const rb_step *step,
                       ready_step *ready, rb_err *err)
{
  rb_signal signal;
  rb_status status = rb_signal_find(step->signal, &signal, err);
  if (status == RB_OK)
    status = step_made(session, &signal, step, ready, err);
  if (status != RB_OK && step->line)
    return rb_fail_within(err, status, "%s, line %d", plan_file, step->line);
  return status;
}

rb_analysis step_analysis(const bench_session *session, const ready_step *step,
                          const rb_located *located)
{
  const rb_bench *bench = &session->bench;
  rb_analysis analysis = {.signal = &step->signal,
                          .condition = step->condition,
                          .drive = step->step.drive,
                          .load_ohm = bench->load_ohm,
                          .mains_hz = bench->mains_hz,
                          .ceiling_peak_fs = rb_ratio_from_db(bench->ceiling_dbfs),
                          .ceiling_w = bench->ceiling_w,
                          .played = &step->stimulus,
                          .located = located,
                          .bench_floors = session->floors.readings,
                          .n_bench_floors = session->floors.n_readings};
  for (unsigned c = 0; c < 2; c++) {
    analysis.load_vrms_per_fs[c] = bench->calibrated ? bench->load_vrms_per_fs[c] : 0;
    analysis.polarity[c] = bench->polarity[c];
    analysis.drive_peak_fs[c] = step->peak[c];
  }
  return analysis;
}
