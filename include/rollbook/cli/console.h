// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_CONSOLE_H
#define ROLLBOOK_CLI_CONSOLE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/cancel.h"
#include "rollbook/base/error.h"
#include "rollbook/report/json.h"

#include <stdbool.h>
#include <stdio.h>

enum { RB_CONSOLE_COLUMNS = 80 };

/// Where a command reads and writes. Results go to `out`, everything else to `err`.
typedef struct rb_console {
  FILE *in, *out, *err;
  const char *book_folder; ///< Where the book is, or is to be.
  bool book_named;         ///< By --book.
  bool book_chosen;        ///< By --book or $ROLLBOOK_BOOK; false: the usual place.
  bool json;               ///< One JSON object instead of words.
  bool quiet;              ///< Nothing on `err` but errors and questions.
  bool colour;             ///< `out` is a terminal and NO_COLOR is unset.
  bool live_line;          ///< `err` is a terminal: progress may rewrite its line.
  bool can_ask;            ///< `in` is a terminal.
  rb_json *answer;         ///< The JSON answer being built; NULL without --json (and may be written
                           ///< to all the same).
  bool keep_answer;        ///< What `answer` holds is worth having after an error too.
  bool answer_is_no;       ///< The work is done and the answer is no: exit code 1.
  const char *command;     ///< "bench set": for JSON.
  rb_arena *arena;         ///< For the run of one command.
  const rb_cancel *cancel; ///<
  void *payload;           ///< What a piece of work hands back to its command.
} rb_console;

/// Words about the work (not its result): on `err` unless quiet.
void rb_console_say(rb_console *console, const char *format, ...) RB_PRINTF(2, 3);

/// A result in words, wrapped at 80 columns, unless JSON was asked for.
void rb_console_tell(rb_console *console, const char *format, ...) RB_PRINTF(2, 3);

/// Wraps `text` at 80 columns with `indent` blanks before every line but the first, which starts
/// where the cursor is (`column`). Newlines in the text start new lines.
void rb_wrap(FILE *file, const char *text, int column, int indent);

/// Code points of a UTF-8 text: the columns it takes, as far as the program needs to know.
int rb_columns(const char *text);

/// A table under a sentence. Cells are borrowed until it is printed.
typedef struct rb_listing rb_listing;

typedef struct rb_listing_column {
  const char *title;
  bool right; ///< Figures stand at the right.
} rb_listing_column;

/// In the console's arena; NULL when memory is out (the calls below accept that).
rb_listing *rb_listing_new(rb_console *console, const rb_listing_column *columns, size_t n_columns);
/// Adds a row of as many cells as there are columns; NULL is an empty cell.
void rb_listing_row(rb_listing *listing, const char *const *cells);
/// A line between groups of rows.
void rb_listing_heading(rb_listing *listing, const char *text);
/// Prints it within 80 columns (the widest column of words is wrapped), unless JSON was asked for.
/// Prints nothing when it has no rows.
void rb_listing_print(rb_listing *listing);
/// A formatted text in the console's arena; "" when memory is out.
const char *rb_cell(rb_console *console, const char *format, ...) RB_PRINTF(2, 3);

/// Asks on `err`, reads a line from `in`. RB_UNSAFE where nobody can answer, RB_CANCELLED at the
/// end of input or when stopped. Blanks at both ends are taken off.
RB_NODISCARD rb_status rb_console_ask(rb_console *console, const char *question, char *answer,
                                      size_t size, rb_err *err);

#endif
