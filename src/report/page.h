// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_PAGE_H
#define ROLLBOOK_SRC_REPORT_PAGE_H

#include "charts.h"
#include "html.h"
#include "shown.h"

// Whole pages from data in memory; report.c fetches the data from the book.

// Sets `body` (markup) into the shell of reports/page.html.in with the style sheets in it.
void page_finish(const char *title, const rb_text *body, rb_text *out);

void page_charts(html_writer *page, const chart_set *set);

bool page_is_simulated(const rb_sitting *sittings, size_t n); // Any of them.

// "Invented data …" where one of the sittings was measured on the simulated amplifier.
void page_invented(html_writer *page, const rb_sitting *sittings, size_t n);
void page_safety(html_writer *page);
extern const char page_safety_words[], page_invented_words[];

// Load, calibration, rate and mains of a bench in sentences.
void page_bench(html_writer *page, const rb_bench *bench);

// "V3: old out, new in"; or how many sockets changed.
void page_swap_title(const rb_comparison *comparison, rb_text *title);

RB_NODISCARD rb_status page_swap(const swap_page *data, rb_arena *arena, rb_text *out);

// What a line-up page needs.
typedef struct lineup_page {
  const rb_lineup *lineup;
  const rb_table *table;
  const rb_results *results; // Of the newest pass, for its curves; may be NULL.
  const rb_sitting *sittings;
  size_t n_sittings;
} lineup_page;

RB_NODISCARD rb_status page_lineup(const lineup_page *data, rb_arena *arena, rb_text *out);

// A line-up the tube sat in; page.results is not used.
typedef struct tube_stay {
  lineup_page page;
  const char *socket;
} tube_stay;

typedef struct tube_page {
  const rb_tube *tube;
  const tube_stay *stays;
  size_t n_stays; // At least one.
} tube_page;

RB_NODISCARD rb_status page_tube(const tube_page *data, rb_arena *arena, rb_text *out);

#endif
