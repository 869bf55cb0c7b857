// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_CLI_H
#define ROLLBOOK_CLI_CLI_H

#include "rollbook/base/cancel.h"
#include "rollbook/base/status.h"

#include <stdio.h>

/// What the program's exit code says.
enum {
  RB_EXIT_DONE = 0,
  RB_EXIT_NO = 1,          ///< Done, and the answer is no.
  RB_EXIT_USE = 2,         ///< Wrong use or bad input.
  RB_EXIT_DEVICE = 3,      ///< The audio device.
  RB_EXIT_STORAGE = 4,     ///< The book, or a file to be written.
  RB_EXIT_BUG = 70,        ///< An internal error (sysexits.h: EX_SOFTWARE).
  RB_EXIT_CANCELLED = 130, ///< Ctrl-C.
};

int rb_exit_code(rb_status status);

/// The whole program: signals, then rb_cli_run on the standard streams.
int rb_cli_main(int argc, char **argv);

/// Runs one command on these streams and returns the exit code. For tests in-process.
int rb_cli_run(int argc, char **argv, FILE *in, FILE *out, FILE *err, const rb_cancel *cancel);

#endif
