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

/// When readings count as settled: the entered minimum has passed and the gain drifts less than
/// this, dB/min, over probe tones that span at least half a minute.
#define RB_SETTLED_DB_PER_MIN 0.02

/// What to do in one sitting.
typedef struct rb_run {
  rb_book *book;
  const rb_lineup *lineup;
  const rb_plan *plan;
  unsigned n_passes;
  double least_warm_up_s;  ///< Waited (or simulated) since power-on before the first pass.
  double most_warm_up_s;   ///< Not settled by then: measured all the same, and marked. Not above
                           ///< least_warm_up_s: no probing, one judgement by what there is.
  double pause_s;          ///< Between passes.
  uint64_t sitting_seed;   ///< Simulated rig: draws of this reseating.
  double mains_vrms;       ///< As entered, 0 where not.
  double powered_on_utc_s; ///< As entered; 0: now. The simulated rig knows by itself.
  double room_degc;        ///< As entered; NAN where not.
  const char *note;        ///< Kept with the sitting; may be NULL.
  const rb_cancel *cancel;
  rb_watcher watcher;
  const rb_clock *clock;
} rb_run;

/// Measures: opens the guard, warms up, finds the drive for the plan's reference power, then plays
/// the plan's steps `n_passes` times, each step at the drive that scales to its power. A capture is
/// analysed while the next one plays. Each pass goes into the book whole, with its captures.
///
/// Finished passes stay in the book whatever happens after; on RB_CANCELLED the sound has faded and
/// `sitting` tells which passes there are (`sitting->id` 0: it did not come to a sitting).
/// RB_UNSAFE for a step over the bench's ceiling and RB_FORMAT for a plan or signal that cannot be
/// used are found before any sound. RB_LOST_FRAMES, RB_CLIPPED, RB_NO_SIGNAL name the step.
RB_NODISCARD rb_status rb_runner_measure(const rb_run *run, rb_sitting *sitting, rb_err *err);

/// How a bench is calibrated.
typedef struct rb_calibrate {
  /// Asks what the user's meter reads across the load of `channel` while the tone plays: called
  /// once a channel, after `duration_s` of it. May be NULL where the rig has a meter of its own.
  /// RB_OK, or RB_CANCELLED.
  rb_status (*read_meter)(void *payload, rb_channel channel, double *level_vrms);
  void *payload;
  double frequency_hz;     ///< 0: 315 Hz, off the multiples of 50 and 60 Hz.
  double power_w;          ///< Asked at the load, 0: 0.5 W. Approached from 40 dB below.
  double duration_s;       ///< Of the tone the meter is read on, 0: 8 s.
  double meter_pct;        ///< Standard uncertainty of the meter, 0: 0.5 %.
  const rb_cancel *cancel; ///<
  rb_watcher watcher;      ///< RB_EVENT_STAGE before each tone: "read your meter across … left".
} rb_calibrate;

/// What it found, for the user.
typedef struct rb_calibration {
  double load_vrms[2];     ///< What the meter said.
  double captured_dbfs[2]; ///< What the card's input heard of it.
  double drive_dbfs[2];    ///< What was played.
  bool by_rig_meter;       ///< The simulated rig's own.
} rb_calibration;

/// Plays the calibration tone, one channel at a time, and sets in `bench`: load_vrms_per_fs,
/// calibration_pct (the meter's uncertainty and the capture's own noise together), polarity (of
/// the markers, input against output), calibrated, calibrated_at. The caller stores the bench.
///
/// RB_NO_SIGNAL where nothing comes back, RB_BAD_ARG where the other channel hears the tone louder
/// (left and right are swapped) or a meter reading cannot be (0, or more than 100 times off what
/// the attenuator lets expect), RB_CLIPPED.
RB_NODISCARD rb_status rb_runner_calibrate(const rb_calibrate *how, rb_bench *bench,
                                           rb_calibration *calibration, rb_err *err);

/// The bench's own floor: with the amplifier taken out and the card's output joined to its input,
/// plays the plan's steps at drives that make the input hear what it hears at those powers, and
/// returns all that can count as a floor (harmonics, distortion, noise, hum) as readings under the
/// plan's conditions. Kept in the book. Steps the loop cannot reach are left out, with a note.
RB_NODISCARD rb_status rb_runner_floor(rb_book *book, const rb_plan *plan, const rb_cancel *cancel,
                                       const rb_watcher *watcher, rb_results *floors, rb_err *err);

/// The same analysis on a file: `signal` NULL with `tone_hz` > 0 means a plain sine. Whole-file;
/// where the file holds the signal's markers it is cut by them. `bench` may be NULL: levels in
/// dBFS. `capture` is filled from the file, its `health` by the analysis. RB_CLIPPED,
/// RB_LOST_FRAMES: not usable, no results; RB_NO_SIGNAL: no tone within 5 % of the frequency
/// expected.
RB_NODISCARD rb_status rb_runner_analyse_file(const char *path, const rb_signal *signal,
                                              double tone_hz, const rb_bench *bench,
                                              rb_arena *arena, rb_capture *capture,
                                              rb_results *results, rb_err *err);

#endif
