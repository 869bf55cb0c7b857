// SPDX-License-Identifier: GPL-3.0-or-later
#include "bookshelf.h"

#include "near.h"

#include "rollbook/base/clock.h"

#include <ftw.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void shelf_make(char folder[SHELF_PATH_SIZE])
{
  const char *place = getenv("TMPDIR");
  snprintf(folder, SHELF_PATH_SIZE, "%s/rollbook-test-XXXXXX", place ? place : "/tmp");
  assert_non_null(mkdtemp(folder));
}

static int remove_one(const char *path, const struct stat *about, int kind, struct FTW *where)
{
  (void)about, (void)kind, (void)where;
  return remove(path);
}

void shelf_remove(const char *folder)
{
  assert_int_equal(nftw(folder, remove_one, 16, FTW_DEPTH | FTW_PHYS), 0);
}

static void need(rb_status status, const rb_err *err)
{
  if (status != RB_OK)
    fail_msg("%s", err->message);
}

rb_book *shelf_open(const char *folder)
{
  rb_err err = {0};
  rb_book *book = NULL;
  need(rb_book_open(folder, RB_BOOK_CREATE, &book, &err), &err);
  return book;
}

static void add_tube(rb_book *book, const char *label, const char *type)
{
  rb_err err = {0};
  rb_tube tube = {0};
  snprintf(tube.label, sizeof tube.label, "%s", label);
  snprintf(tube.type, sizeof tube.type, "%s", type);
  need(rb_book_add_tube(book, &tube, &err), &err);
}

static void add_lineup(rb_book *book, const rb_amplifier *amplifier, const char *name,
                       const char *inverter, rb_lineup *lineup)
{
  rb_err err = {0};
  const char *const labels[] = {"driver", inverter, "push", "pull"};
  *lineup = (rb_lineup){.amplifier = *amplifier, .n_fittings = 4};
  snprintf(lineup->name, sizeof lineup->name, "%s", name);
  for (size_t i = 0; i < 4; i++) {
    rb_fitting *fitting = &lineup->fittings[i];
    memcpy(fitting->socket, amplifier->sockets[i].name, sizeof fitting->socket);
    snprintf(fitting->tube.label, sizeof fitting->tube.label, "%s", labels[i]);
    fitting->bias_ma = i > 1 ? 40 : 0;
  }
  need(rb_book_add_lineup(book, lineup, &err), &err);
}

void shelf_stock(rb_book *book, rb_lineup *before, rb_lineup *after)
{
  rb_err err = {0};
  rb_amplifier amplifier = {.name = "Workshop 30",
                            .note = "invented",
                            .rated_power_w = 30,
                            .n_sockets = 4,
                            .sockets = {{"V1", RB_VOLTAGE_AMPLIFIER, RB_LEFT, "6SN7"},
                                        {"V2", RB_PHASE_INVERTER, RB_LEFT, "6SN7"},
                                        {"V3", RB_OUTPUT_PUSH, RB_LEFT, "EL34"},
                                        {"V4", RB_OUTPUT_PULL, RB_LEFT, "EL34"}}};
  need(rb_book_add_amplifier(book, &amplifier, &err), &err);
  add_tube(book, "driver", "6SN7");
  add_tube(book, "inverter 1", "6SN7");
  add_tube(book, "inverter 2", "6SN7");
  add_tube(book, "push", "EL34");
  add_tube(book, "pull", "EL34");
  add_lineup(book, &amplifier, "before", "inverter 1", before);
  add_lineup(book, &amplifier, "after", "inverter 2", after);
}

int64_t shelf_sitting(rb_book *book, int64_t lineup_id, double hour)
{
  rb_err err = {0};
  rb_sitting sitting = {.lineup_id = lineup_id,
                        .powered_on_utc_s = 1.8e9 + 3600 * hour,
                        .room_degc = NAN,
                        .mains_vrms = 230,
                        .bench = rb_bench_default()};
  rb_clock_utc_text(sitting.powered_on_utc_s, sitting.started_at);
  need(rb_book_add_sitting(book, &sitting, &err), &err);
  return sitting.id;
}

void shelf_reading(rb_results *results, const char *key, rb_channel channel, const char *condition,
                   const char *unit, double value, bool resolved)
{
  rb_reading reading = {
      .channel = channel, .value = value, .uncertainty = 0.001, .resolved = resolved};
  snprintf(reading.key, sizeof reading.key, "%s", key);
  snprintf(reading.condition, sizeof reading.condition, "%s", condition);
  snprintf(reading.unit, sizeof reading.unit, "%s", unit);
  assert_int_equal(rb_results_add(results, &reading), RB_OK);
}

int64_t shelf_pass(rb_book *book, int64_t sitting_id, double since_power_on_s,
                   const rb_results *results, const rb_kept_capture *captures, size_t n_captures)
{
  rb_err err = {0};
  rb_pass pass = {.sitting_id = sitting_id,
                  .plan = "quick",
                  .started_at = "2026-11-25T10:00:00Z",
                  .since_power_on_s = since_power_on_s,
                  .settled = true,
                  .program = "test"};
  need(rb_book_add_pass(book, &pass, results, captures, n_captures, &err), &err);
  return pass.id;
}
