// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_RECORD_H
#define ROLLBOOK_SRC_BOOK_RECORD_H

#include "statement.h"

/// How a struct and a table's row answer to each other: one row of a table each, so that writing,
/// reading and finding need no code of their own.

typedef enum field_kind {
  FIELD_TEXT,
  FIELD_REAL,
  FIELD_INTEGER,  ///< int64_t
  FIELD_COUNT,    ///< size_t
  FIELD_UNSIGNED, ///< unsigned
  FIELD_SIGN,     ///< int
  FIELD_BOOL,     ///<
  FIELD_CHANNEL,  ///< rb_channel, as its word
  FIELD_ROLE,     ///< rb_role, as its word
} field_kind;

typedef struct row_field {
  const char *column;
  field_kind kind;
  size_t offset;
  size_t size; ///< Of a text.
} row_field;

typedef struct row_map {
  const char *table;
  const row_field *fields;
  size_t n_fields;
} row_map;

/// FIELD(REAL, rb_bench, load_ohm) is column load_ohm; FIELD_AS names the column.
#define FIELD_AS(kind, type, member, column)                                                       \
  {                                                                                                \
    column, FIELD_##kind, offsetof(type, member), sizeof(((type *)NULL)->member)                   \
  }
#define FIELD(kind, type, member) FIELD_AS(kind, type, member, #member)

/// `INSERT` of all fields; ready for record_bind and statement_run.
RB_NODISCARD rb_status record_prepare_insert(const row_map *record, rb_book *book,
                                             sql_statement *statement, rb_err *err);
void record_bind(const row_map *record, sql_statement *statement, const void *object);

/// Inserts one row; its id goes to `*id` (may be NULL).
RB_NODISCARD rb_status record_insert(const row_map *record, rb_book *book, const void *object,
                                     int64_t *id, rb_err *err);

/// The id of a row with just these values, made if there is none.
RB_NODISCARD rb_status record_intern(const row_map *record, rb_book *book, const void *object,
                                     int64_t *id, rb_err *err);

/// `SELECT id, fields… FROM table ` and then `rest`. Column 0 is the id, the fields follow.
RB_NODISCARD rb_status record_prepare_select(const row_map *record, rb_book *book, const char *rest,
                                             sql_statement *statement, rb_err *err);

/// Fills `object` from a row whose fields start at `first_column`. RB_STORAGE for a channel or a
/// role this version does not know.
RB_NODISCARD rb_status record_read(const row_map *record, sql_statement *statement,
                                   int first_column, void *object, rb_err *err);

#endif
