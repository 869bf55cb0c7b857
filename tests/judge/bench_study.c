// SPDX-License-Identifier: GPL-3.0-or-later
// How long a study takes in a book of 2 000 passes (aim: under 1 s), and how that grows with the
// book: reading it, ranking what was heard against what was measured, and the sockets' model.
#include "bookshelf.h"
#include "near.h"

#include "rollbook/base/clock.h"
#include "rollbook/base/random.h"
#include "rollbook/judge/study.h"

#include <stdio.h>
#include <string.h>

enum { LINEUPS = 100, PASSES_A_SITTING = 3, READINGS = 140, REPEATS = 3 };

static const char *const keys[] = {"gain",      "h2",     "treble_band", "bass_band", "noise_a",
                                   "imd_mod",   "hum_1x", "high_3db",    "mid_band",  "thd",
                                   "imd_diff3", "h3",     "separation",  "h5"};
static const char *const units[] = {"dB", "dB", "dB", "dB", "V",  "%",  "V",
                                    "Hz", "dB", "%",  "%",  "dB", "dB", "dB"};

static void must(rb_status status, const rb_err *err)
{
  if (status != RB_OK)
    fail_msg("%s", err->message);
}

static void fill_results(rb_results *results, rb_random *random)
{
  for (int i = 0; i < READINGS; i++) {
    char condition[RB_CONDITION_SIZE];
    size_t k = (size_t)i % RB_LEN(keys);
    snprintf(condition, sizeof condition, "tone-1k %d W", i / 28);
    double value = rb_random_normal(random);
    shelf_reading(results, keys[k], i / 14 % 2 ? RB_RIGHT : RB_LEFT, condition, units[k],
                  strcmp(units[k], "dB") == 0 ? value : 1e-3 * (5 + rb_random_uniform(random)),
                  true);
  }
}

static void measure(rb_book *book, int64_t lineup_id, int number, rb_random *random)
{
  int64_t sitting = shelf_sitting(book, lineup_id, number);
  for (int k = 0; k < PASSES_A_SITTING; k++) {
    rb_arena *arena = rb_arena_new(0);
    rb_results results = rb_results_in(arena);
    fill_results(&results, random);
    shelf_pass(book, sitting, 1200 + 60 * k, &results, NULL, 0);
    rb_arena_free(arena);
  }
}

static void hear(rb_book *book, int64_t lineup_id, int64_t against_id, rb_random *random)
{
  size_t n = 0;
  const rb_attribute *attributes = rb_attributes(&n);
  for (size_t i = 0; i < n; i++) {
    rb_err err = {0};
    rb_impression impression = {.lineup_id = lineup_id,
                                .against_id = against_id,
                                .score = (int)rb_random_below(random, 7) - 3};
    strcpy(impression.attribute, attributes[i].key);
    must(rb_book_add_impression(book, &impression, &err), &err);
  }
}

// Every line-up has a driver and an inverter of its own choice among ten.
static void fill_book(rb_book *book, int n_passes)
{
  rb_lineup before, after;
  rb_tube tubes[2][10];
  rb_err err = {0};
  rb_random random = rb_random_seeded(1);
  int64_t ids[LINEUPS];
  shelf_stock(book, &before, &after);
  for (int i = 0; i < 20; i++) {
    rb_tube *tube = &tubes[i / 10][i % 10];
    *tube = (rb_tube){.type = "6SN7"};
    snprintf(tube->label, sizeof tube->label, "tube %d", i);
    must(rb_book_add_tube(book, tube, &err), &err);
  }
  for (int i = 0; i < LINEUPS; i++) {
    rb_lineup lineup = before;
    snprintf(lineup.name, sizeof lineup.name, "line-up %d", i);
    for (size_t k = 0; k < lineup.n_fittings; k++)
      if (strcmp(lineup.fittings[k].socket, "V1") == 0)
        lineup.fittings[k].tube = tubes[0][i % 10];
      else if (strcmp(lineup.fittings[k].socket, "V2") == 0)
        lineup.fittings[k].tube = tubes[1][i / 10 % 10];
    must(rb_book_add_lineup(book, &lineup, &err), &err);
    ids[i] = lineup.id;
    if (i)
      hear(book, ids[i], ids[0], &random);
  }
  for (int i = 0; i < n_passes / PASSES_A_SITTING; i++)
    measure(book, ids[i % LINEUPS], i, &random);
}

typedef struct times {
  double heard_s, sockets_s;
  size_t n_pairs;
} times;

static times time_study(rb_book *book)
{
  times best = {1e9, 1e9, 0};
  for (int i = 0; i < REPEATS; i++) {
    rb_arena *arena = rb_arena_new(0);
    rb_study_data data;
    rb_study study;
    rb_study_sockets *fits = NULL;
    size_t n = 0;
    rb_err err = {0};
    double start_s = rb_now_s();
    must(rb_study_load(book, "Workshop 30", arena, &data, &err), &err);
    double loaded_s = rb_now_s() - start_s;
    must(rb_study_heard(&data, true, 1, arena, &study, &err), &err);
    double heard_s = rb_now_s() - start_s;
    must(rb_study_which_socket(&data, "gain", NULL, arena, &fits, &n, &err), &err);
    double sockets_s = rb_now_s() - start_s - heard_s + loaded_s;
    best.heard_s = heard_s < best.heard_s ? heard_s : best.heard_s;
    best.sockets_s = sockets_s < best.sockets_s ? sockets_s : best.sockets_s;
    best.n_pairs = study.n_pairs;
    rb_arena_free(arena);
  }
  return best;
}

static times time_book(int n_passes)
{
  char folder[SHELF_PATH_SIZE];
  shelf_make(folder);
  rb_book *book = shelf_open(folder);
  fill_book(book, n_passes);
  times took = time_study(book);
  rb_book_close(book);
  shelf_remove(folder);
  return took;
}

int main(void)
{
  times few = time_book(300), many = time_book(2000);
  printf("study of what was heard, %d readings a pass, %zu comparisons: %.2f s with 300 passes, "
         "%.2f s with 2000 (aim 1 s); ratio %.1f for 6.7 times the book\n",
         READINGS, many.n_pairs, few.heard_s, many.heard_s, many.heard_s / few.heard_s);
  printf("study of the sockets: %.2f s with 300 passes, %.2f s with 2000 (aim 1 s); ratio %.1f\n",
         few.sockets_s, many.sockets_s, many.sockets_s / few.sockets_s);
  return 0;
}
