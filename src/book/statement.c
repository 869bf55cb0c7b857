// SPDX-License-Identifier: GPL-3.0-or-later
#include "statement.h"

#include "rollbook/base/text.h"

#include <math.h>

rb_status statement_prepare(sql_statement *statement, rb_book *book, const char *sql, rb_err *err)
{
  statement->book = book;
  statement->bind_result = SQLITE_OK;
  if (sqlite3_prepare_v2(book->database, sql, -1, &statement->handle, NULL) != SQLITE_OK)
    return database_fail(book, err, "Asking the book");
  return RB_OK;
}

void statement_finish(sql_statement *statement)
{
  sqlite3_finalize(statement->handle);
  statement->handle = NULL;
}

static void keep_result(sql_statement *statement, int result)
{
  if (statement->bind_result == SQLITE_OK)
    statement->bind_result = result;
}

static int place(sql_statement *statement, const char *name)
{
  return sqlite3_bind_parameter_index(statement->handle, name);
}

void statement_bind_integer(sql_statement *statement, const char *name, int64_t value)
{
  keep_result(statement, sqlite3_bind_int64(statement->handle, place(statement, name), value));
}

void statement_bind_real(sql_statement *statement, const char *name, double value)
{
  keep_result(statement, sqlite3_bind_double(statement->handle, place(statement, name), value));
}

void statement_bind_text(sql_statement *statement, const char *name, const char *value)
{
  keep_result(statement, sqlite3_bind_text(statement->handle, place(statement, name), value, -1,
                                           SQLITE_TRANSIENT));
}

void statement_bind_blob(sql_statement *statement, const char *name, const void *bytes, size_t n)
{
  keep_result(statement, sqlite3_bind_blob64(statement->handle, place(statement, name), bytes,
                                             (sqlite3_uint64)n, SQLITE_STATIC));
}

rb_status statement_step(sql_statement *statement, bool *has_row, rb_err *err)
{
  *has_row = false;
  if (statement->bind_result != SQLITE_OK)
    return rb_fail(err, RB_BUG, "A value could not be put into '%s'.",
                   sqlite3_sql(statement->handle));
  int result = sqlite3_step(statement->handle);
  *has_row = result == SQLITE_ROW;
  if (result == SQLITE_ROW || result == SQLITE_DONE)
    return RB_OK;
  return database_fail(statement->book, err, "Asking the book");
}

void statement_reset(sql_statement *statement)
{
  sqlite3_reset(statement->handle);
  sqlite3_clear_bindings(statement->handle);
}

rb_status statement_run(sql_statement *statement, rb_err *err)
{
  bool has_row = false;
  rb_status status = statement_step(statement, &has_row, err);
  statement_reset(statement);
  return status;
}

int64_t statement_integer(sql_statement *statement, int column)
{
  return sqlite3_column_int64(statement->handle, column);
}

double statement_real(sql_statement *statement, int column)
{
  if (sqlite3_column_type(statement->handle, column) == SQLITE_NULL)
    return NAN;
  return sqlite3_column_double(statement->handle, column);
}

void statement_text(sql_statement *statement, int column, char *text, size_t size)
{
  const char *value = (const char *)sqlite3_column_text(statement->handle, column);
  rb_text_copy(text, size, value ? value : "");
}
