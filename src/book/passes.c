// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "rollbook/base/text.h"

#include "captures.h"
#include "results.h"
#include "rows.h"

// ---- sittings -----------------------------------------------------------------------------------

static rb_status put_sitting(rb_book *book, rb_sitting *sitting, rb_err *err)
{
  sitting_row row = {.sitting = *sitting};
  RB_TRY(record_intern(&bench_record, book, &sitting->bench, &row.bench_id, err));
  return record_insert(&sitting_record, book, &row, &sitting->id, err);
}

rb_status rb_book_add_sitting(rb_book *book, rb_sitting *sitting, rb_err *err)
{
  RB_TRY(database_begin(book, err));
  return database_end(book, put_sitting(book, sitting, err), err);
}

static rb_status read_bench(rb_book *book, int64_t id, rb_bench *bench, rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(record_prepare_select(&bench_record, book, "WHERE id = :id", &query, err));
  statement_bind_integer(&query, ":id", id);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return rb_fail(err, RB_STORAGE, "Book '%s' is damaged: a sitting has no bench.", book->folder);
  return record_read(&bench_record, &query, 1, bench, err);
}

rb_status rb_book_sitting(rb_book *book, int64_t id, rb_sitting *sitting, rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  sitting_row row = {0};
  RB_TRY(record_prepare_select(&sitting_record, book, "WHERE id = :id", &query, err));
  statement_bind_integer(&query, ":id", id);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return rb_fail(err, RB_NOT_FOUND, "Book '%s' has no sitting number %lld.", book->folder,
                   (long long)id);
  RB_TRY(record_read(&sitting_record, &query, 1, &row, err));
  *sitting = row.sitting;
  sitting->id = id;
  return read_bench(book, row.bench_id, &sitting->bench, err);
}

// ---- passes -------------------------------------------------------------------------------------

static rb_status put_pass(rb_book *book, rb_pass *pass, const rb_results *results,
                          capture_row *rows, size_t n_rows, rb_err *err)
{
  RB_TRY(record_insert(&pass_record, book, pass, &pass->id, err));
  RB_TRY(results_put(book, pass->id, results, err));
  for (size_t i = 0; i < n_rows; i++) {
    rows[i].pass_id = pass->id;
    RB_TRY(record_insert(&capture_record, book, &rows[i], NULL, err));
  }
  return RB_OK;
}

static rb_status add_pass(rb_book *book, rb_pass *pass, const rb_results *results,
                          const rb_kept_capture *captures, capture_row *rows, size_t n, rb_err *err)
{
  RB_TRY(captures_write(book, captures, n, rows, err));
  rb_status status = database_begin(book, err);
  if (status == RB_OK)
    status = database_end(book, put_pass(book, pass, results, rows, n, err), err);
  if (status != RB_OK)
    captures_remove(book, rows, n);
  return status;
}

rb_status rb_book_add_pass(rb_book *book, rb_pass *pass, const rb_results *results,
                           const rb_kept_capture *captures, size_t n_captures, rb_err *err)
{
  if (book->mode == RB_BOOK_READ)
    return rb_fail(err, RB_STORAGE, "Book '%s' was opened only to be read.", book->folder);
  rb_arena *scratch = rb_arena_new(0);
  capture_row *rows = scratch ? rb_arena_alloc(scratch, n_captures, sizeof *rows) : NULL;
  rb_status status =
      rows ? captures_lock(book, false, err) : rb_fail(err, RB_NO_MEM, "Memory ran out.");
  if (status == RB_OK)
    status = add_pass(book, pass, results, captures, rows, n_captures, err);
  captures_unlock(book);
  rb_arena_free(scratch);
  return status;
}

static rb_status read_pass(sql_statement *query, rb_pass *pass, rb_err *err)
{
  pass->id = statement_integer(query, 0);
  return record_read(&pass_record, query, 1, pass, err);
}

rb_status rb_book_pass(rb_book *book, int64_t id, rb_pass *pass, rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(record_prepare_select(&pass_record, book, "WHERE id = :id", &query, err));
  statement_bind_integer(&query, ":id", id);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return rb_fail(err, RB_NOT_FOUND, "Book '%s' has no pass number %lld.", book->folder,
                   (long long)id);
  return read_pass(&query, pass, err);
}

static rb_status count_passes(rb_book *book, const char *where, int64_t lineup_id,
                              int64_t sitting_id, size_t *n, rb_err *err)
{
  rb_text sql = {0};
  rb_text_printf(&sql, "SELECT count(*) FROM pass %s", where);
  STATEMENT query = {0};
  bool has_row = false;
  rb_status status = sql.failed ? rb_fail(err, RB_NO_MEM, "Memory ran out.")
                                : statement_prepare(&query, book, sql.bytes, err);
  rb_text_free(&sql);
  RB_TRY(status);
  statement_bind_integer(&query, ":lineup", lineup_id);
  statement_bind_integer(&query, ":sitting", sitting_id);
  RB_TRY(statement_step(&query, &has_row, err));
  *n = has_row ? (size_t)statement_integer(&query, 0) : 0;
  return RB_OK;
}

rb_status rb_book_passes(rb_book *book, int64_t lineup_id, int64_t sitting_id, rb_arena *arena,
                         rb_pass **passes, size_t *n, rb_err *err)
{
  static const char where[] = "JOIN sitting ON sitting.id = pass.sitting_id "
                              "WHERE (:lineup = 0 OR sitting.lineup_id = :lineup) "
                              "AND (:sitting = 0 OR sitting.id = :sitting) ORDER BY pass.id";
  size_t n_rows = 0;
  *n = 0;
  RB_TRY(count_passes(book, where, lineup_id, sitting_id, &n_rows, err));
  *passes = rb_arena_alloc(arena, n_rows, sizeof **passes);
  if (!*passes)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while listing passes.");
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&pass_record, book, where, &query, err));
  statement_bind_integer(&query, ":lineup", lineup_id);
  statement_bind_integer(&query, ":sitting", sitting_id);
  for (; *n < n_rows; ++*n) {
    bool has_row = false;
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      break;
    RB_TRY(read_pass(&query, &(*passes)[*n], err));
  }
  return RB_OK;
}
