// SPDX-License-Identifier: GPL-3.0-or-later
#include "record.h"

#include "rollbook/base/text.h"

#include <stdio.h>

// Columns are bound by position, in the order of the table of fields.
static void bind_field(sql_statement *statement, const row_field *field, int position,
                       const void *object)
{
  sqlite3_stmt *handle = statement->handle;
  const void *place = (const char *)object + field->offset;
  int result = SQLITE_MISUSE;
  switch (field->kind) {
  case FIELD_TEXT:
    result = sqlite3_bind_text(handle, position, place, -1, SQLITE_TRANSIENT);
    break;
  case FIELD_REAL:
    result = sqlite3_bind_double(handle, position, *(const double *)place);
    break;
  case FIELD_INTEGER:
    result = sqlite3_bind_int64(handle, position, *(const int64_t *)place);
    break;
  case FIELD_COUNT:
    result = sqlite3_bind_int64(handle, position, (int64_t) * (const size_t *)place);
    break;
  case FIELD_UNSIGNED:
    result = sqlite3_bind_int64(handle, position, *(const unsigned *)place);
    break;
  case FIELD_SIGN:
    result = sqlite3_bind_int(handle, position, *(const int *)place);
    break;
  case FIELD_BOOL:
    result = sqlite3_bind_int(handle, position, *(const bool *)place);
    break;
  case FIELD_CHANNEL:
    result = sqlite3_bind_text(handle, position, rb_channel_name(*(const rb_channel *)place), -1,
                               SQLITE_STATIC);
    break;
  case FIELD_ROLE:
    result = sqlite3_bind_text(handle, position, rb_role_name(*(const rb_role *)place), -1,
                               SQLITE_STATIC);
    break;
  }
  if (statement->bind_result == SQLITE_OK)
    statement->bind_result = result;
}

static rb_status read_word(sql_statement *statement, const row_field *field, int column,
                           void *place, rb_err *err)
{
  char word[32];
  statement_text(statement, column, word, sizeof word);
  rb_status status = field->kind == FIELD_CHANNEL ? rb_channel_from_name(word, place)
                                                  : rb_role_from_name(word, place);
  if (status == RB_OK)
    return RB_OK;
  return rb_fail(err, RB_STORAGE,
                 "Book '%s' holds the word '%s' as %s, which this version does not know.",
                 statement->book->folder, word, field->column);
}

static rb_status read_field(sql_statement *statement, const row_field *field, int column,
                            void *object, rb_err *err)
{
  void *place = (char *)object + field->offset;
  switch (field->kind) {
  case FIELD_TEXT:
    statement_text(statement, column, place, field->size);
    break;
  case FIELD_REAL:
    *(double *)place = statement_real(statement, column);
    break;
  case FIELD_INTEGER:
    *(int64_t *)place = statement_integer(statement, column);
    break;
  case FIELD_COUNT:
    *(size_t *)place = (size_t)statement_integer(statement, column);
    break;
  case FIELD_UNSIGNED:
    *(unsigned *)place = (unsigned)statement_integer(statement, column);
    break;
  case FIELD_SIGN:
    *(int *)place = (int)statement_integer(statement, column);
    break;
  case FIELD_BOOL:
    *(bool *)place = statement_integer(statement, column) != 0;
    break;
  case FIELD_CHANNEL:
  case FIELD_ROLE:
    return read_word(statement, field, column, place, err);
  }
  return RB_OK;
}

static void add_columns(const row_map *record, const char *format, rb_text *sql)
{
  for (size_t i = 0; i < record->n_fields; i++)
    rb_text_printf(sql, format, i ? ", " : "", record->fields[i].column);
}

static rb_status prepare_text(rb_text *sql, rb_book *book, sql_statement *statement, rb_err *err)
{
  rb_status status = sql->failed ? rb_fail(err, RB_NO_MEM, "Memory ran out.")
                                 : statement_prepare(statement, book, sql->bytes, err);
  rb_text_free(sql);
  return status;
}

rb_status record_prepare_insert(const row_map *record, rb_book *book, sql_statement *statement,
                                rb_err *err)
{
  rb_text sql = {0};
  rb_text_printf(&sql, "INSERT INTO %s (", record->table);
  add_columns(record, "%s%s", &sql);
  rb_text_add(&sql, ") VALUES (");
  add_columns(record, "%s:%s", &sql);
  rb_text_add(&sql, ")");
  return prepare_text(&sql, book, statement, err);
}

void record_bind(const row_map *record, sql_statement *statement, const void *object)
{
  for (size_t i = 0; i < record->n_fields; i++)
    bind_field(statement, &record->fields[i], (int)i + 1, object);
}

rb_status record_insert(const row_map *record, rb_book *book, const void *object, int64_t *id,
                        rb_err *err)
{
  STATEMENT insert = {0};
  RB_TRY(record_prepare_insert(record, book, &insert, err));
  record_bind(record, &insert, object);
  RB_TRY(statement_run(&insert, err));
  if (id)
    *id = sqlite3_last_insert_rowid(book->database);
  return RB_OK;
}

rb_status record_intern(const row_map *record, rb_book *book, const void *object, int64_t *id,
                        rb_err *err)
{
  rb_text sql = {0};
  rb_text_printf(&sql, "SELECT id FROM %s WHERE ", record->table);
  for (size_t i = 0; i < record->n_fields; i++)
    rb_text_printf(&sql, "%s%s IS :%s", i ? " AND " : "", record->fields[i].column,
                   record->fields[i].column);
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(prepare_text(&sql, book, &query, err));
  record_bind(record, &query, object);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return record_insert(record, book, object, id, err);
  *id = statement_integer(&query, 0);
  return RB_OK;
}

rb_status record_prepare_select(const row_map *record, rb_book *book, const char *rest,
                                sql_statement *statement, rb_err *err)
{
  rb_text sql = {0};
  rb_text_printf(&sql, "SELECT %s.id", record->table);
  for (size_t i = 0; i < record->n_fields; i++)
    rb_text_printf(&sql, ", %s.%s", record->table, record->fields[i].column);
  rb_text_printf(&sql, " FROM %s %s", record->table, rest);
  return prepare_text(&sql, book, statement, err);
}

rb_status record_read(const row_map *record, sql_statement *statement, int first_column,
                      void *object, rb_err *err)
{
  for (size_t i = 0; i < record->n_fields; i++)
    RB_TRY(read_field(statement, &record->fields[i], first_column + (int)i, object, err));
  return RB_OK;
}
