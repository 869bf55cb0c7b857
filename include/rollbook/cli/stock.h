// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_STOCK_H
#define ROLLBOOK_CLI_STOCK_H

#include "rollbook/book/book.h"
#include "rollbook/cli/command.h"
#include "rollbook/cli/console.h"

/// What commands need of the book, with messages that say what to do next.

typedef rb_status rb_book_work(rb_console *console, const rb_arguments *arguments, rb_book *book,
                               rb_err *err);

/// Opens the console's book, does the work, closes it. With RB_BOOK_CREATE the usual place is made
/// with its parents. A book that is not there is RB_STORAGE.
RB_NODISCARD rb_status rb_with_book(rb_console *console, const rb_arguments *arguments,
                                    rb_book_mode mode, rb_book_work *work, rb_err *err);

/// The thing of that name; RB_NOT_FOUND says which names there are and which is nearest. Without a
/// name, the only amplifier there is; RB_BAD_ARG where there is not just one.
RB_NODISCARD rb_status rb_stock_amplifier(rb_console *console, rb_book *book, const char *name,
                                          rb_amplifier *amplifier, rb_err *err);
RB_NODISCARD rb_status rb_stock_tube(rb_console *console, rb_book *book, const char *label,
                                     rb_tube *tube, rb_err *err);
RB_NODISCARD rb_status rb_stock_lineup(rb_console *console, rb_book *book, const char *name,
                                       rb_lineup *lineup, rb_err *err);

/// Copies an option's text into a field of `size` bytes. RB_BAD_ARG where it is too long.
RB_NODISCARD rb_status rb_stock_text(const char *what, const char *text, char *target, size_t size,
                                     rb_err *err);

/// The same for what must be a name (rb_text_is_name).
RB_NODISCARD rb_status rb_stock_name(const char *what, const char *text, char *target, size_t size,
                                     rb_err *err);

/// Makes a folder with its parents. RB_STORAGE.
RB_NODISCARD rb_status rb_make_folders(rb_console *console, const char *folder, rb_err *err);

#endif
