// SPDX-License-Identifier: GPL-3.0-or-later
// How long a comparison takes in a book of 2 000 passes (aim: under 100 ms), and how that grows
// with the book.
#include "bookshelf.h"
#include "near.h"

#include "rollbook/base/clock.h"
#include "rollbook/base/random.h"
#include "rollbook/judge/compare.h"

#include <stdio.h>
#include <string.h>

enum { LINEUPS = 100, PASSES_A_SITTING = 3, READINGS = 140, REPEATS = 5 };

static double now_s(void)
{
  const rb_clock *clock = rb_clock_system();
  return clock->monotonic_s(clock->payload);
}

static void fill_results(rb_results *results, rb_random *random)
{
  static const char *const keys[] = {"gain", "h2", "h3", "h4", "h5", "h2_phase", "noise"};
  for (int i = 0; i < READINGS; i++) {
    char condition[RB_CONDITION_SIZE];
    snprintf(condition, sizeof condition, "tone %d W", i / 14);
    shelf_reading(results, keys[i % 7], i / 7 % 2 ? RB_RIGHT : RB_LEFT, condition,
                  i % 7 == 5   ? "deg"
                  : i % 7 == 6 ? "V"
                               : "dB",
                  i % 7 == 6 ? 1e-4 * (2 + rb_random_uniform(random)) : rb_random_normal(random),
                  true);
  }
  static double x[240], y[240];
  for (int i = 0; i < 240; i++)
    x[i] = 20 + i, y[i] = rb_random_normal(random);
  rb_curve curve = {.key = "response", .x_unit = "Hz", .y_unit = "dB", .x = x, .y = y, .n = 240};
  if (rb_results_add_curve(results, &curve) != RB_OK)
    fail_msg("%s", "out of memory");
}

static void fill_book(rb_book *book, int n_passes, rb_lineup *first)
{
  rb_lineup before, after;
  rb_random random = rb_random_seeded(1);
  shelf_stock(book, &before, &after);
  *first = before;
  int64_t ids[LINEUPS] = {before.id, after.id};
  for (int i = 2; i < LINEUPS; i++) {
    rb_lineup another = before;
    snprintf(another.name, sizeof another.name, "line-up %d", i);
    if (rb_book_add_lineup(book, &another, NULL) != RB_OK)
      fail_msg("%s", "a line-up could not be added");
    ids[i] = another.id;
  }
  for (int i = 0; i < n_passes / PASSES_A_SITTING; i++) {
    int64_t sitting = shelf_sitting(book, ids[i % LINEUPS], i);
    for (int k = 0; k < PASSES_A_SITTING; k++) {
      rb_arena *arena = rb_arena_new(0);
      rb_results results = rb_results_in(arena);
      fill_results(&results, &random);
      shelf_pass(book, sitting, 1200 + 60 * k, &results, NULL, 0);
      rb_arena_free(arena);
    }
  }
}

static double time_compare(rb_book *book)
{
  double best_s = 1e9;
  for (int i = 0; i < REPEATS; i++) {
    rb_arena *arena = rb_arena_new(0);
    rb_comparison comparison;
    rb_err err = {0};
    double start_s = now_s();
    if (rb_compare(book, "before", "after", arena, &comparison, &err) != RB_OK)
      fail_msg("%s", err.message);
    double took_s = now_s() - start_s;
    best_s = took_s < best_s ? took_s : best_s;
    rb_arena_free(arena);
  }
  return best_s;
}

static double time_book(int n_passes)
{
  char folder[SHELF_PATH_SIZE];
  rb_lineup first;
  shelf_make(folder);
  rb_book *book = shelf_open(folder);
  fill_book(book, n_passes, &first);
  double took_s = time_compare(book);
  rb_book_close(book);
  shelf_remove(folder);
  return took_s;
}

int main(void)
{
  double few_s = time_book(200), many_s = time_book(2000);
  printf("compare, %d readings a pass: %.1f ms with 200 passes, %.1f ms with 2000 (aim 100 ms); "
         "ratio %.1f for ten times the book\n",
         READINGS, 1e3 * few_s, 1e3 * many_s, many_s / few_s);
  return 0;
}
