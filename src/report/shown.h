// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_SHOWN_H
#define ROLLBOOK_SRC_REPORT_SHOWN_H

#include "rollbook/judge/compare.h"
#include "rollbook/judge/heard.h"

#include <stdbool.h>
#include <stddef.h>

// What a page shows, in one form for one line-up and for two, so that pictures and tables are
// written once.

typedef struct shown_value {
  bool present, resolved;
  double value;    // An upper bound where not resolved.
  double expanded; // Half of a 95 % interval; 0: not known.
} shown_value;

typedef struct shown_row {
  rb_quantity quantity;
  shown_value sides[2];
  double floor;            // The larger of both sides' floors; NAN where there is none.
  const rb_effect *effect; // NULL where one line-up is shown.
} shown_row;

typedef struct shown_curve {
  char key[RB_KEY_SIZE];
  rb_channel channel;
  char condition[RB_CONDITION_SIZE];
  char x_unit[RB_UNIT_SIZE], y_unit[RB_UNIT_SIZE];
  size_t n;
  const double *x;
  const double *y[2];
  const double *difference;
  const double *pointwise;    // Half-widths of 95 % bands around the difference; NULL: unknown.
  const double *simultaneous; //
} shown_curve;

typedef struct shown {
  size_t n_sides;
  const rb_lineup *lineups[2];
  shown_row *rows;
  size_t n_rows;
  shown_curve *curves;
  size_t n_curves;
} shown;

// Everything a swap page needs, so that a page can be made without a book.
typedef struct swap_page {
  const rb_comparison *comparison;
  const rb_table *table; // Readings of both, for the floors; NULL: no floors.
  const rb_heard *heard;
  size_t n_heard;
  const rb_sitting *sittings; // In the order of comparison->order.
  size_t n_sittings;
} swap_page;

RB_NODISCARD rb_status shown_from_swap(const swap_page *page, rb_arena *arena, shown *out);

// Means over the passes of one line-up. `results` (may be NULL) gives the curves.
RB_NODISCARD rb_status shown_from_table(const rb_lineup *lineup, const rb_table *table,
                                        const rb_results *results, rb_arena *arena, shown *out);

// Keeps only the readings of the channel that socket works in; all for a socket of both.
void shown_keep_socket(shown *page, const char *socket);

// The first row with that key and channel; condition NULL: any. NULL where there is none.
const shown_row *shown_find(const shown *page, const char *key, rb_channel channel,
                            const char *condition);
const shown_curve *shown_find_curve(const shown *page, const char *key, rb_channel channel,
                                    const char *condition);

// The condition the harmonics are shown for: 1 kHz at 1 W where that was measured, else the first
// with a second harmonic; NULL where there is none.
const char *shown_main_condition(const shown *page);

#endif
