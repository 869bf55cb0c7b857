// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_STATEMENT_H
#define ROLLBOOK_SRC_BOOK_STATEMENT_H

#include "database.h"

/// A prepared statement that finalises itself at the end of its block:
///
///     STATEMENT statement = {0};
///     RB_TRY(statement_prepare(&statement, book, "SELECT … WHERE id = :id", err));
///     statement_bind_integer(&statement, ":id", id);
///     RB_TRY(statement_step(&statement, &has_row, err));
///
/// A bind that fails is reported by the next step.
typedef struct sql_statement {
  rb_book *book;
  sqlite3_stmt *handle;
  int bind_result;
} sql_statement;

#define STATEMENT __attribute__((cleanup(statement_finish))) sql_statement

RB_NODISCARD rb_status statement_prepare(sql_statement *statement, rb_book *book, const char *sql,
                                         rb_err *err);
void statement_finish(sql_statement *statement);

void statement_bind_integer(sql_statement *statement, const char *name, int64_t value);
void statement_bind_real(sql_statement *statement, const char *name, double value); ///< NaN: NULL.
void statement_bind_text(sql_statement *statement, const char *name, const char *value);
void statement_bind_blob(sql_statement *statement, const char *name, const void *bytes, size_t n);

/// The next row; `*has_row` false at the end.
RB_NODISCARD rb_status statement_step(sql_statement *statement, bool *has_row, rb_err *err);

/// Steps a statement that gives no rows, and makes it ready for new values.
RB_NODISCARD rb_status statement_run(sql_statement *statement, rb_err *err);
void statement_reset(sql_statement *statement);

int64_t statement_integer(sql_statement *statement, int column);
double statement_real(sql_statement *statement, int column); ///< NULL: NaN.
void statement_text(sql_statement *statement, int column, char *text, size_t size);

#endif
