// SPDX-License-Identifier: GPL-3.0-or-later
#include "results.h"

#include "blob.h"
#include "rows.h"

#include <stdio.h>
#include <string.h>

static const row_field reading_fields[] = {
    FIELD(TEXT, rb_reading, key),       FIELD(CHANNEL, rb_reading, channel),
    FIELD(TEXT, rb_reading, condition), FIELD(TEXT, rb_reading, unit),
    FIELD(REAL, rb_reading, value),     FIELD(REAL, rb_reading, uncertainty),
    FIELD(REAL, rb_reading, floor),     FIELD(BOOL, rb_reading, resolved),
};
static const row_map reading_record = {"reading", reading_fields, RB_LEN(reading_fields)};

rb_status results_prepare_readings(rb_book *book, const char *from, sql_statement *statement,
                                   rb_err *err)
{
  char sql[512];
  snprintf(sql, sizeof sql,
           "SELECT q.key, q.channel, q.condition, q.unit, r.value, r.uncertainty, r.floor,"
           " r.resolved FROM %s",
           from);
  return statement_prepare(statement, book, sql, err);
}

rb_status results_take_readings(sql_statement *statement, rb_results *results, rb_err *err)
{
  for (;;) {
    bool has_row = false;
    rb_reading reading = {0};
    RB_TRY(statement_step(statement, &has_row, err));
    if (!has_row)
      return RB_OK;
    RB_TRY(record_read(&reading_record, statement, 0, &reading, err));
    if (rb_results_add(results, &reading) != RB_OK)
      return rb_fail(err, RB_NO_MEM, "Memory ran out while reading the book.");
  }
}

rb_status results_bind_reading(sql_statement *insert, const rb_reading *reading, rb_err *err)
{
  rb_quantity quantity = quantity_of_reading(reading);
  int64_t quantity_id = 0;
  RB_TRY(check_reading(reading, err));
  RB_TRY(record_intern(&quantity_record, insert->book, &quantity, &quantity_id, err));
  statement_bind_integer(insert, ":quantity", quantity_id);
  statement_bind_real(insert, ":value", reading->value);
  statement_bind_real(insert, ":uncertainty", reading->uncertainty);
  statement_bind_real(insert, ":floor", reading->floor);
  statement_bind_integer(insert, ":resolved", reading->resolved);
  return RB_OK;
}

static rb_status put_reading(sql_statement *insert, int64_t pass_id, const rb_reading *reading,
                             rb_err *err)
{
  RB_TRY(results_bind_reading(insert, reading, err));
  statement_bind_integer(insert, ":pass", pass_id);
  rb_status status = statement_run(insert, err);
  if (sqlite3_extended_errcode(insert->book->database) == SQLITE_CONSTRAINT_PRIMARYKEY)
    return rb_fail(err, RB_BAD_ARG, "The reading '%s' (%s, %s) stands twice in one pass.",
                   reading->key, rb_channel_name(reading->channel), reading->condition);
  return status;
}

static rb_status put_readings(rb_book *book, int64_t pass_id, const rb_results *results,
                              rb_err *err)
{
  STATEMENT insert = {0};
  RB_TRY(statement_prepare(&insert, book,
                           "INSERT INTO reading(pass_id, quantity_id, value, uncertainty, floor,"
                           " resolved) VALUES (:pass, :quantity, :value, :uncertainty, :floor,"
                           " :resolved)",
                           err));
  for (size_t i = 0; i < results->n_readings; i++)
    RB_TRY(put_reading(&insert, pass_id, &results->readings[i], err));
  return RB_OK;
}

// Passes of one plan share their grids of frequencies; each grid is kept once.
static rb_status intern_axis(rb_book *book, const rb_curve *curve, const unsigned char *x,
                             int64_t *id, rb_err *err)
{
  size_t n_bytes = curve->n * blob_double.width;
  int64_t checksum = blob_crc32(0, x, n_bytes);
  STATEMENT find = {0};
  STATEMENT insert = {0};
  bool has_row = false;
  RB_TRY(statement_prepare(&find, book,
                           "SELECT id FROM axis WHERE checksum = :checksum AND unit = :unit AND "
                           "encoding = :encoding AND x = :x",
                           err));
  RB_TRY(statement_prepare(&insert, book,
                           "INSERT INTO axis(unit, n, checksum, encoding, x) "
                           "VALUES (:unit, :n, :checksum, :encoding, :x)",
                           err));
  sql_statement *const both[] = {&find, &insert};
  for (size_t i = 0; i < RB_LEN(both); i++) {
    statement_bind_integer(both[i], ":checksum", checksum);
    statement_bind_text(both[i], ":unit", curve->x_unit);
    statement_bind_text(both[i], ":encoding", blob_double.name);
    statement_bind_blob(both[i], ":x", x, n_bytes);
  }
  RB_TRY(statement_step(&find, &has_row, err));
  if (has_row) {
    *id = statement_integer(&find, 0);
    return RB_OK;
  }
  statement_bind_integer(&insert, ":n", (int64_t)curve->n);
  RB_TRY(statement_run(&insert, err));
  *id = sqlite3_last_insert_rowid(book->database);
  return RB_OK;
}

static rb_quantity quantity_of_curve(const rb_curve *curve)
{
  rb_quantity quantity = {.channel = curve->channel};
  memcpy(quantity.key, curve->key, sizeof quantity.key);
  memcpy(quantity.condition, curve->condition, sizeof quantity.condition);
  memcpy(quantity.unit, curve->y_unit, sizeof quantity.unit);
  return quantity;
}

static rb_status put_curve(rb_book *book, int64_t pass_id, const rb_curve *curve, rb_arena *scratch,
                           rb_err *err)
{
  unsigned char *x = blob_pack(&blob_double, curve->x, curve->n, scratch);
  unsigned char *y = blob_pack(&blob_single, curve->y, curve->n, scratch);
  unsigned char *uncertainty =
      curve->uncertainty ? blob_pack(&blob_single, curve->uncertainty, curve->n, scratch) : NULL;
  if (!x || !y || (curve->uncertainty && !uncertainty))
    return rb_fail(err, RB_NO_MEM, "Memory ran out while writing a curve.");
  rb_quantity quantity = quantity_of_curve(curve);
  int64_t quantity_id = 0, axis_id = 0;
  RB_TRY(record_intern(&quantity_record, book, &quantity, &quantity_id, err));
  RB_TRY(intern_axis(book, curve, x, &axis_id, err));
  STATEMENT insert = {0};
  RB_TRY(statement_prepare(&insert, book,
                           "INSERT INTO curve(pass_id, quantity_id, axis_id, encoding, y,"
                           " uncertainty) VALUES (:pass, :quantity, :axis, :encoding, :y,"
                           " :uncertainty)",
                           err));
  statement_bind_integer(&insert, ":pass", pass_id);
  statement_bind_integer(&insert, ":quantity", quantity_id);
  statement_bind_integer(&insert, ":axis", axis_id);
  statement_bind_text(&insert, ":encoding", blob_single.name);
  statement_bind_blob(&insert, ":y", y, curve->n * blob_single.width);
  if (uncertainty)
    statement_bind_blob(&insert, ":uncertainty", uncertainty, curve->n * blob_single.width);
  rb_status status = statement_run(&insert, err);
  if (status == RB_EXISTS)
    return rb_fail(err, RB_BAD_ARG, "The curve '%s' (%s, %s) stands twice in one pass.", curve->key,
                   rb_channel_name(curve->channel), curve->condition);
  return status;
}

rb_status results_put(rb_book *book, int64_t pass_id, const rb_results *results, rb_err *err)
{
  RB_TRY(put_readings(book, pass_id, results, err));
  rb_arena *scratch = rb_arena_new(0);
  if (!scratch)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while writing a pass.");
  rb_status status = RB_OK;
  for (size_t i = 0; status == RB_OK && i < results->n_curves; i++) {
    rb_arena_mark mark = rb_arena_save(scratch);
    status = put_curve(book, pass_id, &results->curves[i], scratch, err);
    rb_arena_rewind(scratch, mark);
  }
  rb_arena_free(scratch);
  return status;
}

// The numbers of one column, or an error where its length or encoding is not what it should be.
static rb_status unpack_column(sql_statement *query, int column, int encoding_column, size_t n,
                               rb_arena *arena, const double **values, rb_err *err)
{
  char name[16];
  statement_text(query, encoding_column, name, sizeof name);
  const blob_encoding *encoding = blob_encoding_find(name);
  const unsigned char *bytes = sqlite3_column_blob(query->handle, column);
  size_t n_bytes = (size_t)sqlite3_column_bytes(query->handle, column);
  if (!encoding || n_bytes != n * encoding->width)
    return rb_fail(err, RB_STORAGE,
                   "A curve in book '%s' is damaged (%zu bytes of '%s' for %zu points); "
                   "`rollbook book check` says more.",
                   query->book->folder, n_bytes, name, n);
  *values = blob_unpack(encoding, bytes, n, arena);
  return *values ? RB_OK : rb_fail(err, RB_NO_MEM, "Memory ran out while reading a curve.");
}

// Columns: key, channel, condition, y unit, x unit, n, x encoding, x, encoding, y, uncertainty.
static rb_status take_curve(sql_statement *query, rb_results *results, rb_err *err)
{
  rb_quantity quantity = {0};
  rb_curve curve = {0};
  RB_TRY(record_read(&quantity_record, query, 0, &quantity, err));
  memcpy(curve.key, quantity.key, sizeof curve.key);
  memcpy(curve.condition, quantity.condition, sizeof curve.condition);
  memcpy(curve.y_unit, quantity.unit, sizeof curve.y_unit);
  curve.channel = quantity.channel;
  statement_text(query, 4, curve.x_unit, sizeof curve.x_unit);
  curve.n = (size_t)statement_integer(query, 5);
  RB_TRY(unpack_column(query, 7, 6, curve.n, results->arena, &curve.x, err));
  RB_TRY(unpack_column(query, 9, 8, curve.n, results->arena, &curve.y, err));
  if (sqlite3_column_type(query->handle, 10) != SQLITE_NULL)
    RB_TRY(unpack_column(query, 10, 8, curve.n, results->arena, &curve.uncertainty, err));
  if (rb_results_add_curve(results, &curve) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while reading a curve.");
  return RB_OK;
}

static rb_status take_curves(rb_book *book, int64_t pass_id, rb_results *results, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(statement_prepare(&query, book,
                           "SELECT q.key, q.channel, q.condition, q.unit, a.unit, a.n, a.encoding,"
                           " a.x, c.encoding, c.y, c.uncertainty FROM curve AS c "
                           "JOIN quantity AS q ON q.id = c.quantity_id "
                           "JOIN axis AS a ON a.id = c.axis_id "
                           "WHERE c.pass_id = :pass ORDER BY c.id",
                           err));
  statement_bind_integer(&query, ":pass", pass_id);
  for (;;) {
    bool has_row = false;
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      return RB_OK;
    RB_TRY(take_curve(&query, results, err));
  }
}

rb_status rb_book_results(rb_book *book, int64_t pass_id, bool with_curves, rb_results *results,
                          rb_err *err)
{
  rb_pass pass;
  RB_TRY(rb_book_pass(book, pass_id, &pass, err));
  STATEMENT query = {0};
  RB_TRY(results_prepare_readings(book,
                                  "reading AS r JOIN quantity AS q ON q.id = r.quantity_id "
                                  "WHERE r.pass_id = :pass ORDER BY r.quantity_id",
                                  &query, err));
  statement_bind_integer(&query, ":pass", pass_id);
  RB_TRY(results_take_readings(&query, results, err));
  return with_curves ? take_curves(book, pass_id, results, err) : RB_OK;
}
