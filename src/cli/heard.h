// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_CLI_HEARD_H
#define ROLLBOOK_SRC_CLI_HEARD_H

#include "rollbook/book/book.h"
#include "rollbook/cli/console.h"
#include "rollbook/judge/heard.h"

// Impressions as answers and listings.

// An impression into the array that is open.
RB_NODISCARD rb_status rb_answer_impression(rb_console *console, rb_book *book,
                                            const rb_impression *impression, rb_err *err);
RB_NODISCARD rb_status rb_list_impressions(rb_console *console, rb_book *book,
                                           const rb_impression *impressions, size_t n, rb_err *err);

// `heard` of a comparison: verdicts and the readings that decided.
void rb_answer_heard(rb_json *json, const rb_heard *heard, size_t n);
void rb_list_heard(rb_console *console, const rb_comparison *comparison, const rb_heard *heard,
                   size_t n);

// Remembers that numbers of these line-ups were shown now. A book that cannot be written to is left
// as it is, and the user told.
void rb_note_shown(rb_console *console, const int64_t *lineup_ids, size_t n);

#endif
