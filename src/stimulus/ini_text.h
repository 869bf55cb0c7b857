// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STIMULUS_INI_TEXT_H
#define ROLLBOOK_STIMULUS_INI_TEXT_H

#include "rollbook/base/error.h"

#include <stddef.h>

/// Reading of INI text line by line, with messages that name file and line. Private to this room.

/// One `name = value`. Texts hold while the visitor runs.
typedef struct ini_line {
  const char *file;
  int number; ///< 0 where the value came from the program itself.
  const char *section, *name, *value;
} ini_line;

typedef rb_status (*ini_visitor)(void *payload, const ini_line *line, rb_err *err);

/// Calls `visit` for each line. Before that: at most RB_SIGNAL_FILE_BYTES, UTF-8 with no control
/// characters but tabs, no line longer than the parser takes.
RB_NODISCARD rb_status ini_read(const char *file, const char *text, size_t n_bytes,
                                ini_visitor visit, void *payload, rb_err *err);

/// RB_FORMAT with "FILE, line N: what." for the user.
rb_status ini_fail(rb_err *err, const ini_line *line, const char *format, ...) RB_PRINTF(3, 4);

/// Takes a text setting once: fails where `target` is already set, or the value empty or too long.
RB_NODISCARD rb_status ini_take_text(const ini_line *line, char *target, size_t size, rb_err *err);

/// Takes a number within lowest … highest.
RB_NODISCARD rb_status ini_take_number(const ini_line *line, double lowest, double highest,
                                       double *value, rb_err *err);

/// The file's name without folder and ".ini".
RB_NODISCARD rb_status ini_name_of(const char *file, char *name, size_t size, rb_err *err);

#endif
