// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RUNNER_ANALYSER_H
#define ROLLBOOK_RUNNER_ANALYSER_H

#include "session.h"

#include <pthread.h>

/// Analyses one capture in a thread of its own while the next one plays. Private to this room.
typedef struct analyser {
  const ready_step *step;
  rb_analysis analysis;
  rb_located located;
  rb_capture *capture;
  rb_arena *arena; ///< Of the results.
  rb_results results;
  rb_status status;
  rb_err err;
  pthread_t thread;
  bool running;
} analyser;

/// Begins. `step` and `capture` stay the caller's and must live until analyser_finish; the
/// capture's health is written.
RB_NODISCARD rb_status analyser_start(analyser *analyser, const bench_session *session,
                                      const ready_step *step, rb_capture *capture,
                                      const rb_located *located, rb_err *err);

/// Waits for it and appends what it found to `results` (NULL: drops it). With nothing begun: RB_OK.
RB_NODISCARD rb_status analyser_finish(analyser *analyser, rb_results *results, rb_err *err);

#endif
