// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_DATABASE_H
#define ROLLBOOK_SRC_BOOK_DATABASE_H

#include "rollbook/book/book.h"

#include <sqlite3.h>

struct rb_book {
  sqlite3 *database;
  char *folder;   ///< As given.
  char *captures; ///< folder/captures.
  rb_book_mode mode;
  int captures_lock; ///< Descriptor of the file that keeps prune away from a pass being written.
};

/// Opens `book.sqlite` of book->folder, brings it to the newest schema.
RB_NODISCARD rb_status database_open(rb_book *book, rb_err *err);

/// The words and the status for what SQLite said last; RB_EXISTS for a value that must be unique.
/// `doing`: "Adding tube 'V7'".
rb_status database_fail(rb_book *book, rb_err *err, const char *doing, ...) RB_PRINTF(3, 4);

/// Runs statements that give no rows.
RB_NODISCARD rb_status database_run(rb_book *book, const char *sql, rb_err *err);

/// Begins a transaction that may write.
RB_NODISCARD rb_status database_begin(rb_book *book, rb_err *err);

/// Commits where `status` is RB_OK, else rolls back; returns `status`, or why the commit failed.
RB_NODISCARD rb_status database_end(rb_book *book, rb_status status, rb_err *err);

/// One integer from a query with one row, such as a PRAGMA.
RB_NODISCARD rb_status database_integer(rb_book *book, const char *sql, int64_t *value,
                                        rb_err *err);

#endif
