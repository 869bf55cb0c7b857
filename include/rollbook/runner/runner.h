// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RUNNER_RUNNER_H
#define ROLLBOOK_RUNNER_RUNNER_H

#include "rollbook/base/clock.h"
#include "rollbook/book/book.h"
#include "rollbook/guard/guard.h"
#include "rollbook/procedures/procedure.h"
#include "rollbook/stimulus/signal.h"

/// plan → guard → exchange → analyse → book, with one kind of event for whoever watches.

typedef enum rb_event_kind {
  RB_EVENT_STAGE,    ///< `text` names what begins: "finding the level", "1 kHz tone, left".
  RB_EVENT_PROGRESS, ///< `done` of `total` seconds of signal; `remaining_s` for the whole run.
  RB_EVENT_NOTE,     ///< `text` worth telling: "a capture was taken again: 512 frames were lost".
  RB_EVENT_PASS,     ///< A pass is in the book: `pass`, `results`.
} rb_event_kind;

typedef struct rb_event {
  rb_event_kind kind;
  const char *text;
  double done_s, total_s, remaining_s;
  double level_vrms; ///< At the load; 0 where not known.
  const rb_pass *pass;
  const rb_results *results;
} rb_event;

typedef struct rb_watcher {
  void (*tell)(void *payload, const rb_event *event); ///< May be NULL.
  void *payload;
} rb_watcher;

/// What to do in one sitting.
typedef struct rb_run {
  rb_book *book;
  const rb_lineup *lineup;
  const rb_plan *plan;
  unsigned n_passes;
  double least_warm_up_s;  ///< Waited (or simulated) before the first pass.
  double pause_s;          ///< Between passes.
  uint64_t sitting_seed;   ///< Simulated rig: draws of this reseating.
  double mains_vrms;       ///< As entered, 0 where not.
  double powered_on_utc_s; ///< As entered; 0: now.
  const rb_cancel *cancel;
  rb_watcher watcher;
  const rb_clock *clock;
} rb_run;

/// Measures. Finished passes stay in the book whatever happens after; on RB_CANCELLED the sound has
/// faded and `sitting` tells which passes there are.
RB_NODISCARD rb_status rb_runner_measure(const rb_run *run, rb_sitting *sitting, rb_err *err);

/// The same analysis on a file: `signal` NULL with `tone_hz` > 0 means a plain sine. Whole-file;
/// where the file holds the signal's markers it is cut by them. `capture` is filled from the file.
RB_NODISCARD rb_status rb_runner_analyse_file(const char *path, const rb_signal *signal,
                                              double tone_hz, const rb_bench *bench,
                                              rb_arena *arena, rb_capture *capture,
                                              rb_results *results, rb_err *err);

#endif
