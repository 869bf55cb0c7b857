// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "rollbook/base/clock.h"

#include "rows.h"

#include <string.h>

static const row_field impression_fields[] = {
    FIELD(INTEGER, rb_impression, lineup_id), FIELD(INTEGER, rb_impression, against_id),
    FIELD(TEXT, rb_impression, attribute),    FIELD(SIGN, rb_impression, score),
    FIELD(TEXT, rb_impression, programme),    FIELD(TEXT, rb_impression, volume),
    FIELD(BOOL, rb_impression, blind),        FIELD(BOOL, rb_impression, after_numbers),
    FIELD(TEXT, rb_impression, note),         FIELD(TEXT, rb_impression, heard_at),
};
static const row_map impression_record = {"impression", impression_fields,
                                          RB_LEN(impression_fields)};

static void now(char text[RB_TIME_SIZE])
{
  const rb_clock *clock = rb_clock_system();
  rb_clock_utc_text(clock->utc_s(clock->payload), text);
}

rb_status rb_book_mark_shown(rb_book *book, int64_t lineup_id, rb_err *err)
{
  char at[RB_TIME_SIZE];
  now(at);
  STATEMENT insert = {0};
  RB_TRY(statement_prepare(&insert, book,
                           "INSERT INTO shown(lineup_id, shown_at) SELECT :lineup, :at WHERE NOT "
                           "EXISTS (SELECT 1 FROM shown WHERE lineup_id = :lineup)",
                           err));
  statement_bind_integer(&insert, ":lineup", lineup_id);
  statement_bind_text(&insert, ":at", at);
  return statement_run(&insert, err);
}

// What counts is the moment of writing it down: of an earlier time of hearing the book knows only
// what it is told.
static rb_status was_shown(rb_book *book, const rb_impression *impression, bool *shown, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(statement_prepare(
      &query, book, "SELECT 1 FROM shown WHERE lineup_id IN (:lineup, :against) LIMIT 1", err));
  statement_bind_integer(&query, ":lineup", impression->lineup_id);
  statement_bind_integer(&query, ":against", impression->against_id);
  return statement_step(&query, shown, err);
}

static rb_status check_impression(rb_book *book, const rb_impression *impression, rb_err *err)
{
  if (!rb_attribute_find(impression->attribute))
    return rb_fail(err, RB_BAD_ARG, "'%s' is nothing a listener is asked about here.",
                   impression->attribute);
  if (impression->score < -3 || impression->score > 3)
    return rb_fail(err, RB_BAD_ARG,
                   "A score of %d is outside the scale from -3 (much less) to +3 (much more).",
                   impression->score);
  rb_lineup lineup, against;
  RB_TRY(rb_book_lineup_by_id(book, impression->lineup_id, &lineup, err));
  RB_TRY(rb_book_lineup_by_id(book, impression->against_id, &against, err));
  if (lineup.id == against.id)
    return rb_fail(err, RB_BAD_ARG, "Line-up '%s' cannot be heard against itself.", lineup.name);
  if (lineup.amplifier.id != against.amplifier.id)
    return rb_fail(err, RB_BAD_ARG, "'%s' and '%s' are line-ups of different amplifiers.",
                   lineup.name, against.name);
  return RB_OK;
}

static rb_status put_impression(rb_book *book, rb_impression *impression, rb_err *err)
{
  bool shown = false;
  RB_TRY(was_shown(book, impression, &shown, err));
  impression->after_numbers = impression->after_numbers || shown;
  return record_insert(&impression_record, book, impression, &impression->id, err);
}

rb_status rb_book_add_impression(rb_book *book, rb_impression *impression, rb_err *err)
{
  RB_TRY(check_impression(book, impression, err));
  if (!impression->heard_at[0])
    now(impression->heard_at);
  RB_TRY(database_begin(book, err));
  return database_end(book, put_impression(book, impression, err), err);
}

static rb_status count_impressions(rb_book *book, size_t *n, rb_err *err)
{
  int64_t n_rows = 0;
  rb_status status = database_integer(book, "SELECT count(*) FROM impression", &n_rows, err);
  *n = (size_t)n_rows;
  return status;
}

rb_status rb_book_impressions(rb_book *book, int64_t lineup_id, int64_t against_id, rb_arena *arena,
                              rb_impression **impressions, size_t *n, rb_err *err)
{
  size_t most = 0;
  *n = 0;
  RB_TRY(count_impressions(book, &most, err));
  *impressions = rb_arena_alloc(arena, most, sizeof **impressions);
  if (!*impressions)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while reading impressions.");
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&impression_record, book,
                               "WHERE (:one = 0 AND :other = 0) "
                               "OR (lineup_id = :one AND against_id = :other) "
                               "OR (lineup_id = :other AND against_id = :one) ORDER BY id",
                               &query, err));
  statement_bind_integer(&query, ":one", lineup_id);
  statement_bind_integer(&query, ":other", against_id);
  for (; *n < most; ++*n) {
    bool has_row = false;
    rb_impression *impression = &(*impressions)[*n];
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      break;
    impression->id = statement_integer(&query, 0);
    RB_TRY(record_read(&impression_record, &query, 1, impression, err));
  }
  return RB_OK;
}
