// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_CSV_H
#define ROLLBOOK_BASE_CSV_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// A text of comma-separated values (RFC 4180) read record by record. A byte order mark at the
/// start, lone line feeds, blank lines and semicolons in place of commas (where the first record
/// has semicolons and no commas) are accepted, as spreadsheets write them.
typedef struct rb_csv {
  const char *at; ///< What is not read yet.
  size_t line;    ///< Of the record read last, from 1; set to 0 before the first.
  size_t next_line;
  char separator; ///< 0 before the first record.
} rb_csv;

rb_csv rb_csv_of(const char *text); ///< Borrowed until all is read.

/// The next record: its fields, unquoted, in `arena`. At the end `*n` is 0. RB_NO_MEM; RB_FORMAT
/// for a quote that is not closed or stands inside an unquoted field, or more than 64 fields.
RB_NODISCARD rb_status rb_csv_next(rb_csv *csv, rb_arena *arena, const char ***fields, size_t *n);

#endif
