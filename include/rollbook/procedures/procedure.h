// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PROCEDURES_PROCEDURE_H
#define ROLLBOOK_PROCEDURES_PROCEDURE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/bench.h"
#include "rollbook/model/capture.h"
#include "rollbook/model/results.h"
#include "rollbook/stimulus/samples.h"
#include "rollbook/stimulus/signal.h"

/// A way to measure: what to play, and what the capture says. One file `src/procedures/NAME.c`, one
/// row in `src/procedures/procedures.def`. Both halves are pure: they see no device and no book, so
/// a stored capture can always be analysed again by later code.

/// A setting a signal file may hold for this procedure.
typedef struct rb_parameter {
  const char *name; ///< With its unit: "frequency_hz".
  double lowest, highest, fallback;
  const char *help; ///< Half a sentence.
} rb_parameter;

/// What the analysis knows of the bench.
typedef struct rb_analysis {
  const rb_signal *signal;
  const char *condition;      ///< Put into every reading: "tone-1k 1 W".
  rb_channel drive;           ///< Which channels were driven.
  double load_vrms_per_fs[2]; ///< Volts rms at the load for a 0 dBFS sine; 0: not calibrated.
  double load_ohm;            ///<
  double mains_hz;            ///< Nominal, 0: find it.
  int polarity[2];            ///< +1 or −1: signed readings are turned by it; 0 counts as +1.
  const rb_stimulus *played;  ///< What was played, where it is known (not for files from outside).
  double drive_vrms[2];       ///< Volts rms played into the amplifier; 0: unknown.
  const rb_reading *bench_floors; ///< From `bench floor`, matched by key, channel, condition.
  size_t n_bench_floors;
} rb_analysis;

typedef struct rb_procedure {
  const char *name;    ///< "tone".
  const char *title;   ///< "Steady tone".
  const char *summary; ///< One line.
  const rb_parameter *parameters;
  size_t n_parameters;

  /// Samples to play, peak 1, on the channels of `drive`. In `arena`.
  rb_status (*plan)(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                    rb_stimulus *stimulus, rb_err *err);

  /// Readings and curves from the frames of the stimulus (already cut out by its markers, or a
  /// whole file from outside). Fills capture->health; a capture that is not usable adds nothing to
  /// `results` and returns RB_CLIPPED or RB_LOST_FRAMES with words for the user.
  rb_status (*analyse)(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                       rb_err *err);

  /// Optional, for procedures that choose their next level from what they saw: sets `step->power_w`
  /// and `*more`. `results` holds all captures so far.
  rb_status (*next)(const rb_analysis *analysis, const rb_results *results, rb_step *step,
                    bool *more, rb_err *err);
} rb_procedure;

/// The procedure of that name, or NULL.
const rb_procedure *rb_procedure_find(const char *name);

/// Checks the signal's settings against the procedure's table: unknown names, values out of range.
RB_NODISCARD rb_status rb_procedure_check(const rb_procedure *procedure, const rb_signal *signal,
                                          rb_err *err);

/// A parameter's value: from the signal, else its fallback. The name must be in the table.
double rb_procedure_value(const rb_procedure *procedure, const rb_signal *signal, const char *name);

#endif
