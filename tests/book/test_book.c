// SPDX-License-Identifier: GPL-3.0-or-later
#include "bookshelf.h"
#include "near.h"

#include "../../src/book/blob.h"
#include "../../src/book/migrations.h"

#include <fcntl.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

typedef struct fixture {
  char folder[SHELF_PATH_SIZE];
  rb_arena *arena;
} fixture;

static int set_up(void **state)
{
  fixture *shelf = calloc(1, sizeof *shelf);
  shelf_make(shelf->folder);
  shelf->arena = rb_arena_new(0);
  *state = shelf;
  return 0;
}

static int tear_down(void **state)
{
  fixture *shelf = *state;
  shelf_remove(shelf->folder);
  rb_arena_free(shelf->arena);
  free(shelf);
  return 0;
}

static void path_in(const fixture *shelf, const char *name, char path[512])
{
  snprintf(path, 512, "%s/%s", shelf->folder, name);
}

static void run_sql(const fixture *shelf, const char *sql)
{
  char path[512];
  path_in(shelf, "book.sqlite", path);
  sqlite3 *database = NULL;
  assert_int_equal(sqlite3_open(path, &database), SQLITE_OK);
  char *message = NULL;
  if (sqlite3_exec(database, sql, NULL, NULL, &message) != SQLITE_OK)
    fail_msg("%s", message);
  sqlite3_close(database);
}

// ISO 3309 check value, as listed for CRC-32 in the catalogue of parametrised CRC algorithms.
static void the_checksum_is_the_published_crc(void **state)
{
  (void)state;
  assert_int_equal(blob_crc32(0, "123456789", 9), 0xCBF43926);
  assert_int_equal(blob_crc32(blob_crc32(0, "12345", 5), "6789", 4), 0xCBF43926);
}

static void a_book_that_is_not_there_is_not_found(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  rb_book *book = (rb_book *)1;
  assert_int_equal(rb_book_open(shelf->folder, RB_BOOK_READ, &book, &err), RB_NOT_FOUND);
  assert_null(book);
  assert_non_null(strstr(err.message, "There is no book in"));
  rb_book_close(NULL);
}

static void the_bench_comes_back_as_it_was_set(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_bench fallback = rb_bench_default(), bench;
  assert_int_equal(rb_book_bench(book, &bench, NULL), RB_OK);
  assert_string_equal(bench.rig, fallback.rig);
  bench.load_ohm = 4.02;
  bench.calibrated = true;
  bench.polarity[1] = -1;
  bench.input_channels[0] = 3;
  bench.load_vrms_per_fs[1] = 28.25;
  snprintf(bench.rig, sizeof bench.rig, "card:it's \"quoted\"");
  assert_int_equal(rb_book_set_bench(book, &bench, NULL), RB_OK);
  rb_book_close(book);
  book = shelf_open(shelf->folder);
  rb_bench again;
  assert_int_equal(rb_book_bench(book, &again, NULL), RB_OK);
  assert_string_equal(again.rig, bench.rig);
  assert_near(again.load_ohm, 4.02, 0);
  assert_near(again.load_vrms_per_fs[1], 28.25, 0);
  assert_true(again.calibrated);
  assert_int_equal(again.polarity[1], -1);
  assert_int_equal(again.input_channels[0], 3);
  rb_book_close(book);
}

static void of_the_floors_the_newest_counts(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  for (int round = 0; round < 2; round++) {
    rb_results floors = rb_results_in(shelf->arena);
    shelf_reading(&floors, "noise", RB_LEFT, "silence", "V", round ? 2e-6 : 1e-6, true);
    if (!round)
      shelf_reading(&floors, "noise", RB_RIGHT, "silence", "V", 5e-6, true);
    assert_int_equal(rb_book_add_floors(book, &floors, NULL), RB_OK);
  }
  rb_results floors = rb_results_in(shelf->arena);
  assert_int_equal(rb_book_floors(book, &floors, NULL), RB_OK);
  assert_int_equal(floors.n_readings, 2);
  assert_near(rb_results_find(&floors, "noise", RB_LEFT, "")->value, 2e-6, 0);
  assert_near(rb_results_find(&floors, "noise", RB_RIGHT, "")->value, 5e-6, 0);
  rb_book_close(book);
}

static void lineups_come_back_with_amplifier_and_tubes(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after, again, *all = NULL;
  shelf_stock(book, &before, &after);
  assert_int_equal(rb_book_lineup(book, "after", &again, NULL), RB_OK);
  assert_int_equal(again.id, after.id);
  assert_string_equal(again.amplifier.name, "Workshop 30");
  assert_int_equal(again.amplifier.n_sockets, 4);
  assert_int_equal(again.amplifier.sockets[3].role, RB_OUTPUT_PULL);
  assert_string_equal(rb_lineup_fitting(&again, "V2")->tube.label, "inverter 2");
  assert_near(rb_lineup_fitting(&again, "V3")->bias_ma, 40, 0);
  assert_int_equal(rb_book_lineup_by_id(book, before.id, &again, NULL), RB_OK);
  assert_string_equal(again.name, "before");
  size_t n = 0;
  assert_int_equal(rb_book_lineups(book, shelf->arena, &all, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  assert_string_equal(all[0].name, "before");
  assert_string_equal(rb_lineup_fitting(&all[1], "V2")->tube.label, "inverter 2");
  rb_book_close(book);
}

static void hostile_names_are_kept_as_text_or_refused(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_err err = {0};
  const char label[] = "<script>alert('1')</script> \"; DROP TABLE tube; -- %s";
  rb_tube tube = {.type = "EL34"}, again;
  snprintf(tube.label, sizeof tube.label, "%s", label);
  assert_int_equal(rb_book_add_tube(book, &tube, &err), RB_OK);
  assert_int_equal(rb_book_tube(book, label, &again, &err), RB_OK);
  assert_string_equal(again.label, label);
  assert_int_equal(rb_book_add_tube(book, &tube, &err), RB_EXISTS);
  assert_non_null(strstr(err.message, "has a tube"));
  snprintf(tube.label, sizeof tube.label, "two\nlines");
  assert_int_equal(rb_book_add_tube(book, &tube, &err), RB_BAD_ARG);
  tube.label[0] = '\0';
  assert_int_equal(rb_book_add_tube(book, &tube, &err), RB_BAD_ARG);
  assert_int_equal(rb_book_tube(book, "nobody", &again, &err), RB_NOT_FOUND);
  rb_book_close(book);
}

static void a_lineup_must_fit_its_amplifier(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_err err = {0};
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  rb_lineup wrong = before;
  snprintf(wrong.name, sizeof wrong.name, "wrong");
  snprintf(wrong.fittings[0].socket, RB_SOCKET_SIZE, "V9");
  assert_int_equal(rb_book_add_lineup(book, &wrong, &err), RB_BAD_ARG);
  assert_non_null(strstr(err.message, "no socket 'V9'"));
  wrong = before;
  snprintf(wrong.name, sizeof wrong.name, "wrong");
  wrong.fittings[3].tube = wrong.fittings[2].tube;
  assert_int_equal(rb_book_add_lineup(book, &wrong, &err), RB_BAD_ARG);
  assert_non_null(strstr(err.message, "into two sockets"));
  assert_int_equal(rb_book_add_lineup(book, &before, &err), RB_EXISTS);
  rb_lineup *all = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_lineups(book, shelf->arena, &all, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  rb_book_close(book);
}

static rb_kept_capture capture_of(float *frames, size_t n_frames)
{
  rb_kept_capture kept = {
      .signal = "tone-1k",
      .condition = "tone-1k 1 W",
      .drive = RB_LEFT,
      .drive_dbfs = {-20, -20},
      .capture = {.frames = frames, .n_frames = n_frames, .n_channels = 2, .rate_hz = 48000}};
  kept.capture.health.usable = true;
  kept.capture.health.overruns = 3;
  return kept;
}

static void fill(float *frames, size_t n, bool of_24_bit)
{
  for (size_t i = 0; i < n; i++) {
    double x = 0.9 * sin(0.1 * (double)i);
    frames[i] = of_24_bit ? (float)(floor(x * 8388608) / 8388608) : (float)(x / 3);
  }
  frames[0] = -1;
  frames[1] = of_24_bit ? 8388607.0F / 8388608.0F : 1.0F;
}

static bool ends_with(const char *text, const char *end)
{
  return strlen(text) >= strlen(end) && strcmp(text + strlen(text) - strlen(end), end) == 0;
}

static void captures_come_back_bit_for_bit(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  enum { FRAMES = 10000 };
  float *exact = malloc(FRAMES * 2 * sizeof(float)), *real = malloc(FRAMES * 2 * sizeof(float));
  fill(exact, FRAMES * 2, true);
  fill(real, FRAMES * 2, false);
  rb_kept_capture captures[] = {capture_of(exact, FRAMES), capture_of(real, FRAMES)};
  rb_results results = rb_results_in(shelf->arena);
  int64_t sitting = shelf_sitting(book, before.id, 0);
  int64_t pass = shelf_pass(book, sitting, 1200, &results, captures, 2);
  rb_kept_capture *again = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_captures(book, pass, true, shelf->arena, &again, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  assert_true(ends_with(again[0].file, ".flac"));
  assert_true(ends_with(again[1].file, ".wav"));
  assert_memory_equal(again[0].capture.frames, exact, FRAMES * 2 * sizeof(float));
  assert_memory_equal(again[1].capture.frames, real, FRAMES * 2 * sizeof(float));
  assert_string_equal(again[1].condition, "tone-1k 1 W");
  assert_int_equal(again[1].capture.health.overruns, 3);
  assert_true(again[1].capture.health.usable);
  assert_near(again[0].capture.rate_hz, 48000, 0);
  free(exact);
  free(real);
  rb_book_close(book);
}

static rb_results two_curves(rb_arena *arena, double lift_db)
{
  static double x[100], y[100], uncertainty[100];
  for (size_t i = 0; i < 100; i++) {
    x[i] = 20 * pow(1000, (double)i / 99);
    y[i] = lift_db + 0.1 * sin((double)i);
    uncertainty[i] = 0.001;
  }
  rb_results results = rb_results_in(arena);
  rb_curve curve = {.key = "response",
                    .channel = RB_LEFT,
                    .condition = "sweep 1 W",
                    .x_unit = "Hz",
                    .y_unit = "dB",
                    .x = x,
                    .y = y,
                    .n = 100};
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  curve.channel = RB_RIGHT;
  curve.uncertainty = uncertainty;
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  shelf_reading(&results, "h2", RB_LEFT, "tone-1k 1 W", "dB", -61.5, true);
  shelf_reading(&results, "h3", RB_LEFT, "tone-1k 1 W", "dB", -110, false);
  return results;
}

static void results_come_back_and_grids_are_kept_once(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  int64_t sitting = shelf_sitting(book, before.id, 0), pass = 0;
  rb_results results = two_curves(shelf->arena, 0.25);
  for (int i = 0; i < 3; i++)
    pass = shelf_pass(book, sitting, 60.0 * i, &results, NULL, 0);
  rb_results again = rb_results_in(shelf->arena);
  assert_int_equal(rb_book_results(book, pass, true, &again, NULL), RB_OK);
  assert_int_equal(again.n_readings, 2);
  assert_int_equal(again.n_curves, 2);
  assert_false(rb_results_find(&again, "h3", RB_LEFT, "")->resolved);
  assert_null(again.curves[0].uncertainty);
  assert_non_null(again.curves[1].uncertainty);
  for (size_t i = 0; i < 100; i++) {
    assert_near(again.curves[0].x[i], results.curves[0].x[i], 0);
    assert_near_relative(again.curves[0].y[i], results.curves[0].y[i], 6e-8); // 2⁻²⁴
  }
  rb_book_close(book);
  char path[512];
  path_in(shelf, "book.sqlite", path);
  sqlite3 *database = NULL;
  sqlite3_stmt *count = NULL;
  assert_int_equal(sqlite3_open(path, &database), SQLITE_OK);
  assert_int_equal(sqlite3_prepare_v2(database, "SELECT count(*) FROM axis", -1, &count, NULL), 0);
  assert_int_equal(sqlite3_step(count), SQLITE_ROW);
  assert_int_equal(sqlite3_column_int(count, 0), 1);
  sqlite3_finalize(count);
  sqlite3_close(database);
}

static void a_bad_reading_keeps_the_whole_pass_out(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  int64_t sitting = shelf_sitting(book, before.id, 0);
  float frames[64];
  fill(frames, 64, true);
  rb_kept_capture capture = capture_of(frames, 32);
  rb_results results = rb_results_in(shelf->arena);
  shelf_reading(&results, "h2", RB_LEFT, "tone-1k 1 W", "dB", -61.5, true);
  shelf_reading(&results, "h2", RB_LEFT, "tone-1k 1 W", "dB", -61.6, true);
  rb_pass pass = {.sitting_id = sitting};
  rb_err err = {0};
  assert_int_equal(rb_book_add_pass(book, &pass, &results, &capture, 1, &err), RB_BAD_ARG);
  assert_non_null(strstr(err.message, "stands twice"));
  snprintf(results.readings[1].key, RB_KEY_SIZE, "h3");
  results.readings[1].value = NAN;
  assert_int_equal(rb_book_add_pass(book, &pass, &results, &capture, 1, &err), RB_BAD_ARG);
  assert_non_null(strstr(err.message, "not a finite number"));
  results.readings[1].value = -100;
  pass.sitting_id = 77;
  assert_int_equal(rb_book_add_pass(book, &pass, &results, &capture, 1, &err), RB_STORAGE);
  rb_pass *passes = NULL;
  size_t n = 1;
  assert_int_equal(rb_book_passes(book, before.id, 0, shelf->arena, &passes, &n, NULL), RB_OK);
  assert_int_equal(n, 0);
  rb_book_finding *findings = NULL;
  assert_int_equal(rb_book_check(book, shelf->arena, &findings, &n, NULL), RB_OK);
  assert_int_equal(n, 0); // not even an orphan file
  rb_book_close(book);
}

static void sittings_and_passes_are_listed_by_lineup_and_by_sitting(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  int64_t first = shelf_sitting(book, before.id, 0), second = shelf_sitting(book, after.id, 1);
  rb_results results = two_curves(shelf->arena, 0);
  shelf_pass(book, first, 60, &results, NULL, 0);
  shelf_pass(book, second, 60, &results, NULL, 0);
  int64_t last = shelf_pass(book, second, 120, &results, NULL, 0);
  rb_pass *passes = NULL, pass;
  size_t n = 0;
  assert_int_equal(rb_book_passes(book, 0, second, shelf->arena, &passes, &n, NULL), RB_OK);
  assert_int_equal(n, 2);
  assert_int_equal(passes[1].id, last);
  assert_true(passes[1].settled);
  assert_int_equal(rb_book_passes(book, before.id, 0, shelf->arena, &passes, &n, NULL), RB_OK);
  assert_int_equal(n, 1);
  assert_int_equal(rb_book_pass(book, last, &pass, NULL), RB_OK);
  assert_near(pass.since_power_on_s, 120, 0);
  assert_int_equal(rb_book_pass(book, 99, &pass, NULL), RB_NOT_FOUND);
  rb_sitting sitting;
  assert_int_equal(rb_book_sitting(book, second, &sitting, NULL), RB_OK);
  assert_int_equal(sitting.lineup_id, after.id);
  assert_true(isnan(sitting.room_degc));
  assert_near(sitting.bench.load_ohm, rb_bench_default().load_ohm, 0);
  assert_int_equal(rb_book_sitting(book, 99, &sitting, NULL), RB_NOT_FOUND);
  rb_book_close(book);
}

static void a_table_holds_two_lineups_and_the_newest_of_the_rest(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  rb_results results = two_curves(shelf->arena, 0);
  int64_t others = shelf_sitting(book, after.id, 0);
  for (int i = 0; i < 5; i++)
    shelf_pass(book, others, i, &results, NULL, 0);
  int64_t mine = shelf_sitting(book, before.id, 1);
  shelf_pass(book, mine, 60, &results, NULL, 0);
  rb_table table;
  rb_table_want want = {
      .amplifier_id = before.amplifier.id, .lineup_ids = {before.id, 0}, .n_other_passes = 2};
  assert_int_equal(rb_book_readings(book, &want, shelf->arena, &table, NULL), RB_OK);
  assert_int_equal(table.n_passes, 3);
  assert_int_equal(table.n_values, 6);
  assert_int_equal(table.passes[0].lineup_id, after.id);
  assert_near(table.passes[1].since_power_on_s, 4, 0);
  assert_int_equal(table.passes[2].pass_id, 6);
  const rb_table_value *last = &table.values[5];
  assert_int_equal(last->pass, 2);
  assert_string_equal(table.quantities[last->quantity].key, "h3");
  assert_near(last->value, -110, 0);
  assert_false(last->resolved);
  want.n_other_passes = 0;
  assert_int_equal(rb_book_readings(book, &want, shelf->arena, &table, NULL), RB_OK);
  assert_int_equal(table.n_passes, 1);
  rb_book_close(book);
}

static void an_older_schema_is_brought_up_to_date(void **state)
{
  fixture *shelf = *state;
  size_t n = 0;
  const char *const *texts = book_migrations(&n);
  assert_true(n > 2);
  run_sql(shelf, texts[0]);
  run_sql(shelf, texts[1]);
  run_sql(shelf, "INSERT INTO tube(label, type, note, truth) VALUES ('old one', 'EL34', '', '');"
                 "PRAGMA user_version = 2; PRAGMA application_id = 1380077387;");
  rb_err err = {0};
  rb_book *book = NULL;
  assert_int_equal(rb_book_open(shelf->folder, RB_BOOK_READ, &book, &err), RB_OK);
  rb_tube tube;
  assert_int_equal(rb_book_tube(book, "old one", &tube, &err), RB_OK);
  rb_book_close(book);
  run_sql(shelf, "SELECT attribute FROM impression");
}

static void a_newer_schema_is_refused_and_left_alone(void **state)
{
  fixture *shelf = *state;
  rb_book_close(shelf_open(shelf->folder));
  run_sql(shelf, "PRAGMA user_version = 999");
  rb_err err = {0};
  rb_book *book = NULL;
  assert_int_equal(rb_book_open(shelf->folder, RB_BOOK_WRITE, &book, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "newer rollbook"));
  assert_null(book);
}

static void a_foreign_or_damaged_file_is_refused_with_words(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  rb_book *book = NULL;
  run_sql(shelf, "CREATE TABLE mine(x)");
  assert_int_equal(rb_book_open(shelf->folder, RB_BOOK_CREATE, &book, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "not a book"));
  char path[512];
  path_in(shelf, "book.sqlite", path);
  FILE *file = fopen(path, "wb");
  for (int i = 0; i < 500; i++)
    fputs("this is text and no database at all\n", file);
  fclose(file);
  assert_int_equal(rb_book_open(shelf->folder, RB_BOOK_WRITE, &book, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "damaged"));
}

static void a_backup_is_a_sound_book_of_its_own(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  float frames[64];
  fill(frames, 64, true);
  rb_kept_capture capture = capture_of(frames, 32);
  rb_results results = two_curves(shelf->arena, 0);
  shelf_pass(book, shelf_sitting(book, before.id, 0), 1, &results, &capture, 1);
  char path[512];
  path_in(shelf, "copy/of the book", path);
  rb_err err = {0};
  assert_int_equal(rb_book_backup(book, path, &err), RB_OK);
  assert_int_equal(rb_book_backup(book, path, &err), RB_EXISTS);
  rb_book_close(book);
  assert_int_equal(rb_book_open(path, RB_BOOK_READ, &book, &err), RB_OK);
  rb_book_finding *findings = NULL;
  size_t n = 1;
  assert_int_equal(rb_book_check(book, shelf->arena, &findings, &n, &err), RB_OK);
  assert_int_equal(n, 0);
  rb_kept_capture *captures = NULL;
  assert_int_equal(rb_book_captures(book, 1, true, shelf->arena, &captures, &n, &err), RB_OK);
  assert_memory_equal(captures[0].capture.frames, frames, sizeof frames);
  rb_book_close(book);
}

static rb_impression impression_of(const rb_lineup *lineup, const rb_lineup *against, int score)
{
  size_t n = 0;
  rb_impression impression = {.lineup_id = lineup->id,
                              .against_id = against->id,
                              .score = score,
                              .programme = "<b>trio</b>"};
  snprintf(impression.attribute, sizeof impression.attribute, "%s", rb_attributes(&n)[0].key);
  return impression;
}

static void an_impression_after_the_numbers_is_marked(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  rb_err err = {0};
  shelf_stock(book, &before, &after);
  rb_impression first = impression_of(&after, &before, 2), second = first;
  assert_int_equal(rb_book_add_impression(book, &first, &err), RB_OK);
  assert_false(first.after_numbers);
  assert_int_equal(rb_book_mark_shown(book, before.id, &err), RB_OK);
  second.score = -1;
  assert_int_equal(rb_book_add_impression(book, &second, &err), RB_OK);
  assert_true(second.after_numbers);
  rb_impression *all = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_impressions(book, before.id, after.id, shelf->arena, &all, &n, &err),
                   RB_OK);
  assert_int_equal(n, 2);
  assert_int_equal(all[0].score, 2);
  assert_false(all[0].after_numbers);
  assert_true(all[1].after_numbers);
  assert_string_equal(all[1].programme, "<b>trio</b>");
  assert_int_equal(strlen(all[0].heard_at), 20);
  assert_int_equal(rb_book_impressions(book, 0, 0, shelf->arena, &all, &n, &err), RB_OK);
  assert_int_equal(n, 2);
  rb_book_close(book);
}

static void what_is_no_impression_is_refused(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  rb_lineup before, after;
  rb_err err = {0};
  shelf_stock(book, &before, &after);
  rb_impression wrong = impression_of(&after, &before, 4);
  assert_int_equal(rb_book_add_impression(book, &wrong, &err), RB_BAD_ARG);
  wrong = impression_of(&after, &after, 1);
  assert_int_equal(rb_book_add_impression(book, &wrong, &err), RB_BAD_ARG);
  wrong = impression_of(&after, &before, 1);
  wrong.against_id = 77;
  assert_int_equal(rb_book_add_impression(book, &wrong, &err), RB_NOT_FOUND);
  wrong = impression_of(&after, &before, 1);
  snprintf(wrong.attribute, sizeof wrong.attribute, "taste");
  assert_int_equal(rb_book_add_impression(book, &wrong, &err), RB_BAD_ARG);
  rb_book_close(book);
}

#define SHELF_TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
  const struct CMUnitTest tests[] = {
      SHELF_TEST(the_checksum_is_the_published_crc),
      SHELF_TEST(a_book_that_is_not_there_is_not_found),
      SHELF_TEST(the_bench_comes_back_as_it_was_set),
      SHELF_TEST(of_the_floors_the_newest_counts),
      SHELF_TEST(lineups_come_back_with_amplifier_and_tubes),
      SHELF_TEST(hostile_names_are_kept_as_text_or_refused),
      SHELF_TEST(a_lineup_must_fit_its_amplifier),
      SHELF_TEST(captures_come_back_bit_for_bit),
      SHELF_TEST(results_come_back_and_grids_are_kept_once),
      SHELF_TEST(a_bad_reading_keeps_the_whole_pass_out),
      SHELF_TEST(sittings_and_passes_are_listed_by_lineup_and_by_sitting),
      SHELF_TEST(a_table_holds_two_lineups_and_the_newest_of_the_rest),
      SHELF_TEST(an_older_schema_is_brought_up_to_date),
      SHELF_TEST(a_newer_schema_is_refused_and_left_alone),
      SHELF_TEST(a_foreign_or_damaged_file_is_refused_with_words),
      SHELF_TEST(an_impression_after_the_numbers_is_marked),
      SHELF_TEST(what_is_no_impression_is_refused),
      SHELF_TEST(a_backup_is_a_sound_book_of_its_own),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
