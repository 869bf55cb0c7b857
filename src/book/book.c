// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "rollbook/base/clock.h"

#include "results.h"
#include "rows.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

// Makes a folder and those it stands in.
static rb_status make_folder(const char *path, rb_err *err)
{
  char part[4096];
  size_t length = strlen(path);
  if (length == 0 || length >= sizeof part)
    return rb_fail(err, RB_BAD_ARG, "'%s' cannot be the folder of a book.", path);
  for (size_t i = 1; i <= length; i++) {
    if (path[i] != '/' && path[i] != '\0')
      continue;
    memcpy(part, path, i);
    part[i] = '\0';
    if (mkdir(part, 0777) != 0 && errno != EEXIST)
      return rb_fail(err, RB_STORAGE, "Folder '%s' cannot be made: %s. Choose another place.", part,
                     strerror(errno));
  }
  return RB_OK;
}

static rb_status find_folder(const rb_book *book, rb_err *err)
{
  if (book->mode == RB_BOOK_CREATE) {
    RB_TRY(make_folder(book->folder, err));
    return make_folder(book->captures, err);
  }
  char path[4096];
  snprintf(path, sizeof path, "%s/book.sqlite", book->folder);
  if (access(path, F_OK) == 0)
    return RB_OK;
  if (errno == EACCES)
    return rb_fail(err, RB_STORAGE, "Book '%s' may not be read: check its permissions.",
                   book->folder);
  return rb_fail(err, RB_NOT_FOUND,
                 "There is no book in '%s'. Name its folder with --book, or make one with "
                 "`rollbook --book DIR bench set`.",
                 book->folder);
}

static rb_status open_parts(rb_book *book, const char *folder, rb_err *err)
{
  char captures[4096];
  int length = snprintf(captures, sizeof captures, "%s/captures", folder);
  if (length < 0 || (size_t)length >= sizeof captures)
    return rb_fail(err, RB_BAD_ARG, "The name of the book's folder is too long.");
  book->folder = strdup(folder);
  book->captures = strdup(captures);
  if (!book->folder || !book->captures)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while opening book '%s'.", folder);
  RB_TRY(find_folder(book, err));
  return database_open(book, err);
}

rb_status rb_book_open(const char *folder, rb_book_mode mode, rb_book **book, rb_err *err)
{
  *book = NULL;
  rb_book *fresh = calloc(1, sizeof *fresh);
  if (!fresh)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while opening book '%s'.", folder);
  fresh->mode = mode;
  fresh->captures_lock = -1;
  rb_status status = open_parts(fresh, folder, err);
  if (status != RB_OK) {
    rb_book_close(fresh);
    return status;
  }
  *book = fresh;
  return RB_OK;
}

void rb_book_close(rb_book *book)
{
  if (!book)
    return;
  sqlite3_close(book->database);
  free(book->folder);
  free(book->captures);
  free(book);
}

const char *rb_book_folder(const rb_book *book)
{
  return book->folder;
}

rb_status rb_book_bench(rb_book *book, rb_bench *bench, rb_err *err)
{
  *bench = rb_bench_default();
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(record_prepare_select(
      &bench_record, book, "JOIN bench_in_use ON bench_in_use.bench_id = bench.id", &query, err));
  RB_TRY(statement_step(&query, &has_row, err));
  return has_row ? record_read(&bench_record, &query, 1, bench, err) : RB_OK;
}

static rb_status put_bench(rb_book *book, const rb_bench *bench, rb_err *err)
{
  int64_t id = 0;
  RB_TRY(record_intern(&bench_record, book, bench, &id, err));
  STATEMENT use = {0};
  RB_TRY(statement_prepare(&use, book,
                           "INSERT INTO bench_in_use(only, bench_id) VALUES (1, :id) "
                           "ON CONFLICT(only) DO UPDATE SET bench_id = :id",
                           err));
  statement_bind_integer(&use, ":id", id);
  return statement_run(&use, err);
}

rb_status rb_book_set_bench(rb_book *book, const rb_bench *bench, rb_err *err)
{
  RB_TRY(database_begin(book, err));
  return database_end(book, put_bench(book, bench, err), err);
}

static rb_status put_floor(rb_book *book, const rb_reading *reading, const char *measured_at,
                           rb_err *err)
{
  STATEMENT insert = {0};
  RB_TRY(statement_prepare(&insert, book,
                           "INSERT INTO bench_floor(measured_at, quantity_id, value, uncertainty,"
                           " floor, resolved) VALUES (:at, :quantity, :value, :uncertainty, :floor,"
                           " :resolved)",
                           err));
  RB_TRY(results_bind_reading(&insert, reading, err));
  statement_bind_text(&insert, ":at", measured_at);
  return statement_run(&insert, err);
}

static rb_status put_floors(rb_book *book, const rb_results *floors, rb_err *err)
{
  char now[RB_TIME_SIZE];
  const rb_clock *clock = rb_clock_system();
  rb_clock_utc_text(clock->utc_s(clock->payload), now);
  for (size_t i = 0; i < floors->n_readings; i++)
    RB_TRY(put_floor(book, &floors->readings[i], now, err));
  return RB_OK;
}

rb_status rb_book_add_floors(rb_book *book, const rb_results *floors, rb_err *err)
{
  RB_TRY(database_begin(book, err));
  return database_end(book, put_floors(book, floors, err), err);
}

rb_status rb_book_floors(rb_book *book, rb_results *floors, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(results_prepare_readings(book,
                                  "bench_floor AS r JOIN quantity AS q ON q.id = r.quantity_id "
                                  "WHERE r.id IN (SELECT max(id) FROM bench_floor "
                                  "GROUP BY quantity_id) ORDER BY r.id",
                                  &query, err));
  return results_take_readings(&query, floors, err);
}
