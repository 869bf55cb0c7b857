// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_SITTING_H
#define ROLLBOOK_CLI_SITTING_H

#include "rollbook/cli/command.h"
#include "rollbook/cli/console.h"
#include "rollbook/runner/runner.h"

/// What commands that make a sound share: the safety list, the plan, progress, exit codes.

/// Shows the safety list and asks once. RB_UNSAFE without a terminal; RB_CANCELLED on no. With
/// `yes` the list is shown and taken as agreed.
RB_NODISCARD rb_status rb_agree_to_safety(rb_console *console, bool yes, rb_err *err);

/// Finds the plan and every signal in it, so that what is missing there is known before a sound.
/// `power_w` > 0 takes the place of the plan's reference power, and its steps are scaled with it.
RB_NODISCARD rb_status rb_choose_plan(const char *name, double power_w, rb_plan *plan, rb_err *err);

/// After work on a rig: a device that is not there, or refuses, is the audio device's fault.
rb_status rb_device_status(rb_status status, rb_err *err);

/// Draws the runner's events: one line that is rewritten on a terminal, else a line a stage.
typedef struct rb_watch {
  rb_console *console;
  char stage[96];
  double shown_at_s;
  bool line_open;
  void (*on_pass)(void *payload, const rb_event *event); ///< May be NULL.
  void *payload;
} rb_watch;

rb_watcher rb_watch_events(rb_watch *watch);
/// Ends the line, if one is open.
void rb_watch_end(rb_watch *watch);

#endif
