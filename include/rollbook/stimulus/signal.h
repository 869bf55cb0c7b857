// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STIMULUS_SIGNAL_H
#define ROLLBOOK_STIMULUS_SIGNAL_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/channel.h"

#include <stdbool.h>
#include <stddef.h>

/// Signal and plan files (`signals/*.ini`; format in signals/README.md). Both are short texts of at
/// most RB_SIGNAL_FILE_BYTES; every error names file and line.

enum {
  RB_SIGNAL_NAME_SIZE = 48,
  RB_MAX_SETTINGS = 32,
  RB_MAX_STEPS = 32,
  RB_SIGNAL_FILE_BYTES = 65536,
};

/// One `name = value` line below [signal]'s fixed ones.
typedef struct rb_setting {
  char name[32];
  char value[160];
  int line;
} rb_setting;

/// A stimulus and how to analyse its capture.
typedef struct rb_signal {
  char name[RB_SIGNAL_NAME_SIZE]; ///< As in the file's name: "tone-1k".
  char title[96];                 ///< "1 kHz tone".
  char procedure[32];             ///< Which procedure plans and analyses it: "tone".
  char file[256];                 ///< Where it was read, for messages.
  size_t n_settings;
  rb_setting settings[RB_MAX_SETTINGS]; ///< The procedure's parameters, checked by its table.
} rb_signal;

/// One step of a plan: a signal, the power it is played at, the channels driven.
typedef struct rb_step {
  char signal[RB_SIGNAL_NAME_SIZE];
  double power_w;   ///< At the load, for a sine of the signal's peak; 0: silence.
  rb_channel drive; ///< Left, right or both.
  int line;         ///< Of the plan file; 0 where the step was not read from one.
} rb_step;

/// An ordered list of signals.
typedef struct rb_plan {
  char name[RB_SIGNAL_NAME_SIZE];
  char title[96];
  char file[256];           ///< Where it was read, for messages.
  double reference_power_w; ///< Level finding goes to this power at the load (1 W) …
  double reference_hz;      ///< … with a sine of this frequency (1 kHz).
  size_t n_steps;
  rb_step steps[RB_MAX_STEPS];
} rb_plan;

/// Reads a signal or plan file. RB_NOT_FOUND, RB_IO, RB_FORMAT: unknown section, name outside the
/// format, a value out of range, a name set twice, text that is not UTF-8, a line or file too long.
/// A signal's settings are only collected here; rb_procedure_check knows which there may be.
RB_NODISCARD rb_status rb_signal_load(const char *path, rb_signal *signal, rb_err *err);
RB_NODISCARD rb_status rb_plan_load(const char *path, rb_plan *plan, rb_err *err);

/// The same from `n_bytes` of text in memory; `file` is used for the messages, and its last part
/// without ".ini" is the name.
RB_NODISCARD rb_status rb_signal_parse(const char *file, const char *text, size_t n_bytes,
                                       rb_signal *signal, rb_err *err);
RB_NODISCARD rb_status rb_plan_parse(const char *file, const char *text, size_t n_bytes,
                                     rb_plan *plan, rb_err *err);

/// Finds NAME.ini in the folder $ROLLBOOK_SIGNALS, then in signals/ where the program is installed,
/// then in the source tree it was built from. A name with a slash in it or ending in ".ini" is
/// taken as the path of a file. RB_NOT_FOUND names the places looked at and the names there are.
RB_NODISCARD rb_status rb_signal_find(const char *name, rb_signal *signal, rb_err *err);
RB_NODISCARD rb_status rb_plan_find(const char *name, rb_plan *plan, rb_err *err);

/// One signal or plan that a find would reach.
typedef struct rb_signal_entry {
  char name[RB_SIGNAL_NAME_SIZE];
  char title[96];
  char file[256];
  bool plan;    ///< A plan; else a signal.
  bool damaged; ///< The file could not be read; `title` is empty.
} rb_signal_entry;

/// All of them by name, signals and plans together, in `arena`.
RB_NODISCARD rb_status rb_signal_list(rb_arena *arena, rb_signal_entry **entries, size_t *n);

/// A signal made in the program instead of read from a file; add settings with rb_signal_set.
rb_signal rb_signal_made(const char *name, const char *title, const char *procedure);
/// Sets or replaces a setting. RB_BAD_ARG when there are too many.
RB_NODISCARD rb_status rb_signal_set(rb_signal *signal, const char *name, double value);

/// The number of setting `name`, or `fallback` where it is not set. RB_FORMAT where it is no number
/// or outside lowest … highest.
RB_NODISCARD rb_status rb_signal_number(const rb_signal *signal, const char *name, double lowest,
                                        double highest, double fallback, double *value,
                                        rb_err *err);
/// The text of setting `name`, or NULL.
const char *rb_signal_text(const rb_signal *signal, const char *name);

#endif
