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
///
/// Conditions. A reading's `condition` says in short, always in the same words, what it holds for;
/// readings are compared only where it is the same text. rb_condition writes it:
///   "tone-1k 1 W"               signal name and power at the load, both channels driven
///   "tone-1k 1 W, left driven"  one channel driven
///   "silence"                   nothing played
///   "1000 Hz"                   a file from outside, analysed with --tone 1000
///   "tone-1k"                   a file from outside, analysed with --signal tone-1k

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
  const rb_located *located;  ///< How the capture was cut; NULL where it was not.
  double drive_peak_fs[2];    ///< Peak played, of full scale; 0: unknown.
  double ceiling_peak_fs;     ///< Highest peak that may be played; 0: unknown.
  double ceiling_w;           ///< Highest power that may be asked; 0: unknown.
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

  /// Samples to play, peak at most 1 (all 0 for silence), on the channels of `drive`. In `arena`.
  /// The settings have passed rb_procedure_check; RB_UNSUPPORTED where the rate cannot carry them.
  rb_status (*plan)(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                    rb_stimulus *stimulus, rb_err *err);

  /// Readings and curves from the frames of the stimulus (already cut out by its markers, or a
  /// whole file from outside). Fills capture->health; a capture that is not usable adds nothing to
  /// `results` and returns RB_CLIPPED or RB_LOST_FRAMES with words for the user.
  rb_status (*analyse)(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                       rb_err *err);

  /// Optional, for procedures that choose their next level from what they saw: sets `step->power_w`
  /// and `*more`. `results` holds all captures so far. Each capture is analysed before it is
  /// called.
  rb_status (*next)(const rb_analysis *analysis, const rb_results *results, rb_step *step,
                    bool *more, rb_err *err);

  /// Optional, beside `next`: called once after the last capture of such a series, adds to
  /// `results` what only the whole of it tells.
  rb_status (*finish)(const rb_analysis *analysis, rb_results *results, rb_err *err);
} rb_procedure;

/// The procedure of that name, or NULL.
const rb_procedure *rb_procedure_find(const char *name);

/// All of them, in the order of procedures.def; `*n` of them.
const rb_procedure *const *rb_procedures(size_t *n);

/// Finds the signal's procedure and checks the settings against its table: RB_FORMAT, with file and
/// line, for an unknown procedure, an unknown setting, no number, a value out of range.
RB_NODISCARD rb_status rb_procedure_for(const rb_signal *signal, const rb_procedure **procedure,
                                        rb_err *err);
RB_NODISCARD rb_status rb_procedure_check(const rb_procedure *procedure, const rb_signal *signal,
                                          rb_err *err);

/// A parameter's value: from the signal, else its fallback. The name must be in the table.
double rb_procedure_value(const rb_procedure *procedure, const rb_signal *signal, const char *name);

/// Writes the canonical condition (see above). `power_w` < 0: a file from outside.
void rb_condition(char condition[RB_CONDITION_SIZE], const char *signal, double power_w,
                  rb_channel drive);

#endif
