// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_CAPTURES_H
#define ROLLBOOK_SRC_BOOK_CAPTURES_H

#include "rows.h"

/// Capture files beside the database. A file is written under a temporary name, flushed, renamed,
/// and its folder flushed, before any row speaks of it; so a row never names a file that is not
/// whole, and a killed process leaves at most files that no row names.

enum { CAPTURES_PATH_SIZE = 4096 };

/// Full path of a capture's file.
void captures_path(const rb_book *book, const char *file, char path[CAPTURES_PATH_SIZE]);

/// Keeps `captures_prune` of any process away until captures_unlock. Shared by writers.
RB_NODISCARD rb_status captures_lock(rb_book *book, bool alone, rb_err *err);
void captures_unlock(rb_book *book);

/// Writes the files of one pass and fills one row each (but its pass_id). On failure nothing stays.
RB_NODISCARD rb_status captures_write(rb_book *book, const rb_kept_capture *captures, size_t n,
                                      capture_row *rows, rb_err *err);

/// Removes the files of rows that did not get into the database.
void captures_remove(const rb_book *book, const capture_row *rows, size_t n);

/// Length and checksum of a file's bytes. RB_STORAGE.
RB_NODISCARD rb_status captures_measure(const char *path, int64_t *n_bytes, int64_t *checksum,
                                        rb_err *err);

#endif
