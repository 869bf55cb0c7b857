// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef BOOKSHELF_H
#define BOOKSHELF_H

/// A book in a temporary folder, with an invented amplifier, tubes and line-ups, for tests.

#include "rollbook/book/book.h"

enum { SHELF_PATH_SIZE = 256 };

/// Makes an empty folder below the system's temporary one and writes its path.
void shelf_make(char folder[SHELF_PATH_SIZE]);

/// Removes it with all it holds.
void shelf_remove(const char *folder);

/// Opens a new book there; fails the test if that fails.
rb_book *shelf_open(const char *folder);

/// Adds the amplifier "Workshop 30" with sockets V1 (6SN7), V2 (6SN7), V3 and V4 (EL34), tubes
/// "driver", "inverter 1", "inverter 2", "push", "pull", and the line-ups "before" and "after",
/// which differ in V2.
void shelf_stock(rb_book *book, rb_lineup *before, rb_lineup *after);

/// Adds a sitting of that line-up, `hour` hours after some start.
int64_t shelf_sitting(rb_book *book, int64_t lineup_id, double hour);

/// Appends a reading.
void shelf_reading(rb_results *results, const char *key, rb_channel channel, const char *condition,
                   const char *unit, double value, bool resolved);

/// Adds a pass with these readings and captures; returns its number.
int64_t shelf_pass(rb_book *book, int64_t sitting_id, double since_power_on_s,
                   const rb_results *results, const rb_kept_capture *captures, size_t n_captures);

#endif
