// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STIMULUS_SIGNAL_H
#define ROLLBOOK_STIMULUS_SIGNAL_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/channel.h"

/// Signal and plan files (`signals/*.ini`; format in signals/README.md).

enum { RB_SIGNAL_NAME_SIZE = 48, RB_MAX_SETTINGS = 32, RB_MAX_STEPS = 32 };

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
} rb_step;

/// An ordered list of signals.
typedef struct rb_plan {
  char name[RB_SIGNAL_NAME_SIZE];
  char title[96];
  size_t n_steps;
  rb_step steps[RB_MAX_STEPS];
} rb_plan;

/// Reads a signal file. Errors name file and line.
RB_NODISCARD rb_status rb_signal_load(const char *path, rb_signal *signal, rb_err *err);
RB_NODISCARD rb_status rb_plan_load(const char *path, rb_plan *plan, rb_err *err);

/// Finds NAME.ini in $ROLLBOOK_SIGNALS, then where the program is installed, then in the source
/// tree it was built from. RB_NOT_FOUND names the places looked at and the names there are.
RB_NODISCARD rb_status rb_signal_find(const char *name, rb_signal *signal, rb_err *err);
RB_NODISCARD rb_status rb_plan_find(const char *name, rb_plan *plan, rb_err *err);

/// The number of setting `name`, or `fallback` where it is not set. RB_FORMAT where it is no number
/// or outside lowest … highest.
RB_NODISCARD rb_status rb_signal_number(const rb_signal *signal, const char *name, double lowest,
                                        double highest, double fallback, double *value,
                                        rb_err *err);
/// The text of setting `name`, or NULL.
const char *rb_signal_text(const rb_signal *signal, const char *name);

#endif
