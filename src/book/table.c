// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "rows.h"

// The passes wanted: all of the line-ups named, and the newest of the others.
#define WANTED                                                                                     \
  "WITH wanted(id) AS ("                                                                           \
  " SELECT p.id FROM pass AS p JOIN sitting AS s ON s.id = p.sitting_id"                           \
  " WHERE s.lineup_id IN (:a, :b)"                                                                 \
  " UNION ALL SELECT * FROM ("                                                                     \
  " SELECT p.id FROM pass AS p JOIN sitting AS s ON s.id = p.sitting_id"                           \
  " JOIN lineup AS l ON l.id = s.lineup_id"                                                        \
  " WHERE s.lineup_id NOT IN (:a, :b) AND (:amplifier = 0 OR l.amplifier_id = :amplifier)"         \
  " ORDER BY p.id DESC LIMIT :others)) "

static const row_field row_fields[] = {
    FIELD(INTEGER, rb_table_pass, pass_id),       FIELD(INTEGER, rb_table_pass, sitting_id),
    FIELD(INTEGER, rb_table_pass, lineup_id),     FIELD(TEXT, rb_table_pass, started_at),
    FIELD(REAL, rb_table_pass, powered_on_utc_s), FIELD(REAL, rb_table_pass, since_power_on_s),
    FIELD(REAL, rb_table_pass, mains_vrms),       FIELD(BOOL, rb_table_pass, settled),
};
static const row_map row_record = {"pass", row_fields, RB_LEN(row_fields)};

static rb_status prepare(rb_book *book, const rb_table_want *want, const char *sql,
                         sql_statement *query, rb_err *err)
{
  RB_TRY(statement_prepare(query, book, sql, err));
  statement_bind_integer(query, ":a", want->lineup_ids[0]);
  statement_bind_integer(query, ":b", want->lineup_ids[1]);
  statement_bind_integer(query, ":amplifier", want->amplifier_id);
  statement_bind_integer(query, ":others", (int64_t)want->n_other_passes);
  return RB_OK;
}

static rb_status no_memory(rb_err *err)
{
  return rb_fail(err, RB_NO_MEM, "Memory ran out while reading the book.");
}

static rb_status count(rb_book *book, const rb_table_want *want, const char *sql, size_t *n,
                       rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(prepare(book, want, sql, &query, err));
  RB_TRY(statement_step(&query, &has_row, err));
  *n = has_row ? (size_t)statement_integer(&query, 0) : 0;
  return RB_OK;
}

static rb_status read_passes(rb_book *book, const rb_table_want *want, rb_arena *arena,
                             rb_table *table, rb_err *err)
{
  size_t n_rows = 0;
  RB_TRY(count(book, want, WANTED "SELECT count(*) FROM wanted", &n_rows, err));
  table->passes = rb_arena_alloc(arena, n_rows, sizeof *table->passes);
  if (!table->passes)
    return no_memory(err);
  STATEMENT query = {0};
  RB_TRY(prepare(book, want,
                 WANTED
                 "SELECT p.id, s.id, s.lineup_id, s.started_at, s.powered_on_utc_s,"
                 " p.since_power_on_s, s.mains_vrms, p.settled FROM wanted "
                 "JOIN pass AS p ON p.id = wanted.id JOIN sitting AS s ON s.id = p.sitting_id "
                 "ORDER BY s.id, p.id",
                 &query, err));
  for (; table->n_passes < n_rows; table->n_passes++) {
    bool has_row = false;
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      break;
    RB_TRY(record_read(&row_record, &query, 0, &table->passes[table->n_passes], err));
  }
  return RB_OK;
}

// Also `*place_of`: the position of each quantity by its number in the book.
static rb_status read_quantities(rb_book *book, rb_arena *arena, rb_table *table,
                                 uint32_t **place_of, int64_t *most_id, rb_err *err)
{
  int64_t n_rows = 0;
  RB_TRY(database_integer(book, "SELECT max(id) FROM quantity", most_id, err));
  RB_TRY(database_integer(book, "SELECT count(*) FROM quantity", &n_rows, err));
  table->quantities = rb_arena_alloc(arena, (size_t)n_rows, sizeof *table->quantities);
  *place_of = rb_arena_alloc(arena, (size_t)*most_id + 1, sizeof **place_of);
  if (!table->quantities || !*place_of)
    return no_memory(err);
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&quantity_record, book, "ORDER BY id", &query, err));
  for (; table->n_quantities < (size_t)n_rows; table->n_quantities++) {
    bool has_row = false;
    RB_TRY(statement_step(&query, &has_row, err));
    int64_t id = has_row ? statement_integer(&query, 0) : 0;
    if (!has_row || id > *most_id)
      break;
    (*place_of)[id] = (uint32_t)table->n_quantities;
    RB_TRY(record_read(&quantity_record, &query, 1, &table->quantities[table->n_quantities], err));
  }
  return RB_OK;
}

// Room for more values; the arena gives a longer array and the old one is left in it.
static rb_status grow(rb_table *table, size_t *capacity, rb_arena *arena)
{
  size_t wider = *capacity ? *capacity * 2 : 1024;
  rb_table_value *values = rb_arena_alloc(arena, wider, sizeof *values);
  if (!values)
    return RB_NO_MEM;
  for (size_t i = 0; i < table->n_values; i++)
    values[i] = table->values[i];
  table->values = values;
  *capacity = wider;
  return RB_OK;
}

// One short query a pass: the rows of a pass stand together, so this is a walk along the tree.
static rb_status read_values(rb_book *book, const uint32_t *place_of, int64_t most_id,
                             rb_arena *arena, rb_table *table, rb_err *err)
{
  size_t capacity = 0;
  STATEMENT query = {0};
  RB_TRY(statement_prepare(&query, book,
                           "SELECT quantity_id, value, uncertainty, floor, resolved FROM reading "
                           "WHERE pass_id = :pass",
                           err));
  for (size_t i = 0; i < table->n_passes; i++) {
    statement_bind_integer(&query, ":pass", table->passes[i].pass_id);
    for (;;) {
      bool has_row = false;
      RB_TRY(statement_step(&query, &has_row, err));
      if (!has_row)
        break;
      if (table->n_values == capacity && grow(table, &capacity, arena) != RB_OK)
        return no_memory(err);
      int64_t quantity_id = statement_integer(&query, 0);
      if (quantity_id > most_id)
        continue; // written by another program since the quantities were read
      table->values[table->n_values++] = (rb_table_value){
          .pass = (uint32_t)i,
          .quantity = place_of[quantity_id],
          .value = statement_real(&query, 1),
          .uncertainty = statement_real(&query, 2),
          .floor = statement_real(&query, 3),
          .resolved = statement_integer(&query, 4) != 0,
      };
    }
    statement_reset(&query);
  }
  return RB_OK;
}

rb_status rb_book_readings(rb_book *book, const rb_table_want *want, rb_arena *arena,
                           rb_table *table, rb_err *err)
{
  uint32_t *place_of = NULL;
  int64_t most_id = 0;
  *table = (rb_table){0};
  RB_TRY(read_passes(book, want, arena, table, err));
  RB_TRY(read_quantities(book, arena, table, &place_of, &most_id, err));
  return read_values(book, place_of, most_id, arena, table, err);
}
