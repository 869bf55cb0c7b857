// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RUNNER_SESSION_H
#define ROLLBOOK_RUNNER_SESSION_H

#include "rollbook/runner/runner.h"

/// What measuring, calibrating and the bench's floor share: an open guard, a watcher who is told
/// how far things are, and steps made ready to play. Private to this room.

/// How long it takes: seconds of sound and of waiting, and how fast they pass here.
typedef struct timing {
  double total_s;   ///< Of sound, as planned.
  double done_s;    ///< Of it, finished.
  double waiting_s; ///< Still to be waited.
  double current_s; ///< Length of the exchange now playing.
  double started_s; ///< Monotonic, when the first sound began; 0: not yet.
  double waited_s;  ///< Wall time spent waiting since.
  double power_w;   ///< Asked at the load by what is playing now; 0: nothing, or not known.
} timing;

typedef struct bench_session {
  rb_bench bench;
  rb_guard *guard;
  const rb_clock *clock;
  const rb_cancel *cancel;
  const rb_watcher *watcher;
  rb_arena *arena; ///< Lives as long as the session: steps and floors.
  rb_results floors;
  timing time;
} bench_session;

/// One step of a plan, ready to play.
typedef struct ready_step {
  rb_step step;
  rb_signal signal;
  const rb_procedure *procedure;
  rb_stimulus stimulus;
  double peak[2]; ///< Linear, full scale 1.
  char condition[RB_CONDITION_SIZE];
} ready_step;

void session_tell(bench_session *session, const rb_event *event);
void session_stage(bench_session *session, const char *format, ...) RB_PRINTF(2, 3);
void session_note(bench_session *session, const char *format, ...) RB_PRINTF(2, 3);

/// Lets time pass with progress told, on the rig's own clock.
RB_NODISCARD rb_status session_wait(bench_session *session, double duration_s, rb_err *err);

/// Plays a step and captures it: frames in `arena`.
RB_NODISCARD rb_status session_play(bench_session *session, const ready_step *step, rb_arena *arena,
                                    rb_capture *capture, rb_located *located, rb_err *err);

/// Seconds an exchange of this step takes, framing and margins included.
double session_step_s(const ready_step *step);

/// Finds signal and procedure and plans the samples. `peak` is left 0.
RB_NODISCARD rb_status step_prepare(bench_session *session, const char *plan_file,
                                    const rb_step *step, ready_step *ready, rb_err *err);
/// The same for a signal made in the program.
RB_NODISCARD rb_status step_made(bench_session *session, const rb_signal *signal,
                                 const rb_step *step, ready_step *ready, rb_err *err);

/// What the analysis of a step's capture is told. `located` may be NULL.
rb_analysis step_analysis(const bench_session *session, const ready_step *step,
                          const rb_located *located);

#endif
