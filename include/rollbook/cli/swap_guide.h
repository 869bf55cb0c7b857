// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_SWAP_GUIDE_H
#define ROLLBOOK_CLI_SWAP_GUIDE_H

#include "rollbook/book/book.h"
#include "rollbook/cli/command.h"
#include "rollbook/cli/console.h"

/// A whole swap by the hand: which line-up goes in when, what to exchange, how long to wait.

enum { RB_SWAP_MOST_STEPS = 24, RB_SWAP_MOST_LINEUPS = 6 };

typedef struct rb_swap_guide {
  rb_lineup lineups[RB_SWAP_MOST_LINEUPS]; ///< A, B, …
  size_t n_lineups;
  char letters[RB_SWAP_MOST_STEPS + 1]; ///< "ABA".
  size_t n;
} rb_swap_guide;

/// Reads "A,B,A" and the line-ups that A, B, … are. RB_BAD_ARG where the two do not fit together,
/// line-ups are of different amplifiers, or one follows itself by mistake of naming.
RB_NODISCARD rb_status rb_swap_guide_read(rb_console *console, const char *like,
                                          const rb_arguments *arguments, rb_book *book,
                                          rb_swap_guide *guide, rb_err *err);

const rb_lineup *rb_swap_guide_lineup(const rb_swap_guide *guide, size_t step);

/// Tells what the step needs and, where there is an amplifier in the room, waits until it has
/// cooled and someone says that the tubes are in and the power is on. RB_CANCELLED; RB_UNSAFE where
/// nobody can answer.
RB_NODISCARD rb_status rb_swap_guide_get_ready(rb_console *console, const rb_swap_guide *guide,
                                               size_t step, bool simulated, double cool_down_s,
                                               rb_err *err);

#endif
