// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "rows.h"

#include <stdio.h>
#include <string.h>

typedef struct socket_row {
  int64_t amplifier_id;
  rb_socket socket;
} socket_row;

typedef struct lineup_row {
  int64_t amplifier_id;
  char name[RB_NAME_SIZE];
  char note[RB_NOTE_SIZE];
} lineup_row;

typedef struct fitting_row {
  int64_t lineup_id, tube_id;
  char socket[RB_SOCKET_SIZE];
  double bias_ma;
} fitting_row;

static const row_field amplifier_fields[] = {
    FIELD(TEXT, rb_amplifier, name),
    FIELD(TEXT, rb_amplifier, note),
    FIELD(REAL, rb_amplifier, rated_power_w),
};
static const row_field socket_fields[] = {
    FIELD(INTEGER, socket_row, amplifier_id),
    FIELD_AS(TEXT, socket_row, socket.name, "name"),
    FIELD_AS(ROLE, socket_row, socket.role, "role"),
    FIELD_AS(CHANNEL, socket_row, socket.channel, "channel"),
    FIELD_AS(TEXT, socket_row, socket.type, "type"),
};
static const row_field tube_fields[] = {
    FIELD(TEXT, rb_tube, label),
    FIELD(TEXT, rb_tube, type),
    FIELD(TEXT, rb_tube, note),
    FIELD(TEXT, rb_tube, truth),
};
static const row_field lineup_fields[] = {
    FIELD(INTEGER, lineup_row, amplifier_id),
    FIELD(TEXT, lineup_row, name),
    FIELD(TEXT, lineup_row, note),
};
static const row_field fitting_fields[] = {
    FIELD(INTEGER, fitting_row, lineup_id),
    FIELD(INTEGER, fitting_row, tube_id),
    FIELD(TEXT, fitting_row, socket),
    FIELD(REAL, fitting_row, bias_ma),
};
static const row_map amplifier_record = {"amplifier", amplifier_fields, RB_LEN(amplifier_fields)};
static const row_map socket_record = {"socket", socket_fields, RB_LEN(socket_fields)};
static const row_map tube_record = {"tube", tube_fields, RB_LEN(tube_fields)};
static const row_map lineup_record = {"lineup", lineup_fields, RB_LEN(lineup_fields)};
static const row_map fitting_record = {"fitting", fitting_fields, RB_LEN(fitting_fields)};

// ---- amplifiers ---------------------------------------------------------------------------------

static rb_status check_amplifier(const rb_amplifier *amplifier, rb_err *err)
{
  RB_TRY(check_name(amplifier->name, "an amplifier", err));
  if (amplifier->n_sockets > RB_MAX_SOCKETS)
    return rb_fail(err, RB_BAD_ARG, "An amplifier has at most %d sockets.", RB_MAX_SOCKETS);
  for (size_t i = 0; i < amplifier->n_sockets; i++) {
    const char *name = amplifier->sockets[i].name;
    RB_TRY(check_name(name, "a socket", err));
    if (rb_amplifier_socket(amplifier, name) != &amplifier->sockets[i])
      return rb_fail(err, RB_BAD_ARG, "Amplifier '%s' names socket '%s' twice.", amplifier->name,
                     name);
  }
  return RB_OK;
}

static rb_status put_amplifier(rb_book *book, rb_amplifier *amplifier, rb_err *err)
{
  RB_TRY(record_insert(&amplifier_record, book, amplifier, &amplifier->id, err));
  for (size_t i = 0; i < amplifier->n_sockets; i++) {
    socket_row row = {.amplifier_id = amplifier->id, .socket = amplifier->sockets[i]};
    RB_TRY(record_insert(&socket_record, book, &row, NULL, err));
  }
  return RB_OK;
}

// Says which name is taken.
static rb_status name_taken(rb_book *book, rb_status status, const char *what, const char *name,
                            rb_err *err)
{
  if (status != RB_EXISTS)
    return status;
  return rb_fail(err, RB_EXISTS, "Book '%s' has %s '%s' already. Choose another name.",
                 book->folder, what, name);
}

rb_status rb_book_add_amplifier(rb_book *book, rb_amplifier *amplifier, rb_err *err)
{
  RB_TRY(check_amplifier(amplifier, err));
  RB_TRY(database_begin(book, err));
  rb_status status = database_end(book, put_amplifier(book, amplifier, err), err);
  return name_taken(book, status, "an amplifier", amplifier->name, err);
}

static rb_status read_sockets(rb_book *book, rb_amplifier *amplifier, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&socket_record, book, "WHERE amplifier_id = :id ORDER BY id", &query,
                               err));
  statement_bind_integer(&query, ":id", amplifier->id);
  for (amplifier->n_sockets = 0; amplifier->n_sockets < RB_MAX_SOCKETS; amplifier->n_sockets++) {
    bool has_row = false;
    socket_row row;
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      break;
    RB_TRY(record_read(&socket_record, &query, 1, &row, err));
    amplifier->sockets[amplifier->n_sockets] = row.socket;
  }
  return RB_OK;
}

static rb_status read_amplifier(sql_statement *query, void *object, rb_err *err)
{
  rb_amplifier *amplifier = object;
  amplifier->id = statement_integer(query, 0);
  RB_TRY(record_read(&amplifier_record, query, 1, amplifier, err));
  return read_sockets(query->book, amplifier, err);
}

// ---- tubes --------------------------------------------------------------------------------------

rb_status rb_book_add_tube(rb_book *book, rb_tube *tube, rb_err *err)
{
  RB_TRY(check_name(tube->label, "a tube", err));
  RB_TRY(check_name(tube->type, "a type of tube", err));
  rb_status status = record_insert(&tube_record, book, tube, &tube->id, err);
  return name_taken(book, status, "a tube", tube->label, err);
}

static rb_status read_tube(sql_statement *query, void *object, rb_err *err)
{
  rb_tube *tube = object;
  tube->id = statement_integer(query, 0);
  return record_read(&tube_record, query, 1, tube, err);
}

// ---- line-ups -----------------------------------------------------------------------------------

static rb_status check_fitting(const rb_lineup *lineup, size_t i, rb_err *err)
{
  const rb_fitting *fitting = &lineup->fittings[i];
  if (!rb_amplifier_socket(&lineup->amplifier, fitting->socket))
    return rb_fail(err, RB_BAD_ARG, "Amplifier '%s' has no socket '%s'.", lineup->amplifier.name,
                   fitting->socket);
  for (size_t k = 0; k < i; k++) {
    if (strcmp(lineup->fittings[k].socket, fitting->socket) == 0)
      return rb_fail(err, RB_BAD_ARG, "Line-up '%s' fills socket '%s' twice.", lineup->name,
                     fitting->socket);
    if (lineup->fittings[k].tube.id == fitting->tube.id)
      return rb_fail(err, RB_BAD_ARG, "Line-up '%s' puts tube '%s' into two sockets, %s and %s.",
                     lineup->name, fitting->tube.label, lineup->fittings[k].socket,
                     fitting->socket);
  }
  return RB_OK;
}

// Amplifier and tubes are looked up by name, so a caller need not know their numbers.
static rb_status resolve_lineup(rb_book *book, rb_lineup *lineup, rb_err *err)
{
  RB_TRY(check_name(lineup->name, "a line-up", err));
  if (lineup->n_fittings > RB_MAX_SOCKETS)
    return rb_fail(err, RB_BAD_ARG, "A line-up has at most %d tubes.", RB_MAX_SOCKETS);
  RB_TRY(rb_book_amplifier(book, lineup->amplifier.name, &lineup->amplifier, err));
  for (size_t i = 0; i < lineup->n_fittings; i++) {
    rb_fitting *fitting = &lineup->fittings[i];
    RB_TRY(rb_book_tube(book, fitting->tube.label, &fitting->tube, err));
    RB_TRY(check_fitting(lineup, i, err));
  }
  return RB_OK;
}

static rb_status put_lineup(rb_book *book, rb_lineup *lineup, rb_err *err)
{
  lineup_row row = {.amplifier_id = lineup->amplifier.id};
  memcpy(row.name, lineup->name, sizeof row.name);
  memcpy(row.note, lineup->note, sizeof row.note);
  RB_TRY(record_insert(&lineup_record, book, &row, &lineup->id, err));
  for (size_t i = 0; i < lineup->n_fittings; i++) {
    const rb_fitting *fitting = &lineup->fittings[i];
    fitting_row part = {
        .lineup_id = lineup->id, .tube_id = fitting->tube.id, .bias_ma = fitting->bias_ma};
    memcpy(part.socket, fitting->socket, sizeof part.socket);
    RB_TRY(record_insert(&fitting_record, book, &part, NULL, err));
  }
  return RB_OK;
}

rb_status rb_book_add_lineup(rb_book *book, rb_lineup *lineup, rb_err *err)
{
  RB_TRY(resolve_lineup(book, lineup, err));
  RB_TRY(database_begin(book, err));
  rb_status status = database_end(book, put_lineup(book, lineup, err), err);
  return name_taken(book, status, "a line-up", lineup->name, err);
}

static rb_status read_fittings(rb_book *book, rb_lineup *lineup, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&tube_record, book,
                               "JOIN fitting ON fitting.tube_id = tube.id "
                               "WHERE fitting.lineup_id = :id ORDER BY fitting.id",
                               &query, err));
  STATEMENT places = {0};
  RB_TRY(record_prepare_select(&fitting_record, book, "WHERE lineup_id = :id ORDER BY id", &places,
                               err));
  statement_bind_integer(&query, ":id", lineup->id);
  statement_bind_integer(&places, ":id", lineup->id);
  for (lineup->n_fittings = 0; lineup->n_fittings < RB_MAX_SOCKETS; lineup->n_fittings++) {
    bool has_tube = false, has_place = false;
    rb_fitting *fitting = &lineup->fittings[lineup->n_fittings];
    fitting_row row;
    RB_TRY(statement_step(&query, &has_tube, err));
    RB_TRY(statement_step(&places, &has_place, err));
    if (!has_tube || !has_place)
      break;
    RB_TRY(read_tube(&query, &fitting->tube, err));
    RB_TRY(record_read(&fitting_record, &places, 1, &row, err));
    memcpy(fitting->socket, row.socket, sizeof row.socket);
    fitting->bias_ma = row.bias_ma;
  }
  return RB_OK;
}

static rb_status read_amplifier_by_id(rb_book *book, int64_t id, rb_amplifier *amplifier,
                                      rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(record_prepare_select(&amplifier_record, book, "WHERE id = :id", &query, err));
  statement_bind_integer(&query, ":id", id);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return rb_fail(err, RB_STORAGE, "Book '%s' is damaged: a line-up has no amplifier.",
                   book->folder);
  return read_amplifier(&query, amplifier, err);
}

static rb_status read_lineup(sql_statement *query, void *object, rb_err *err)
{
  rb_lineup *lineup = object;
  lineup_row row;
  lineup->id = statement_integer(query, 0);
  RB_TRY(record_read(&lineup_record, query, 1, &row, err));
  memcpy(lineup->name, row.name, sizeof row.name);
  memcpy(lineup->note, row.note, sizeof row.note);
  RB_TRY(read_amplifier_by_id(query->book, row.amplifier_id, &lineup->amplifier, err));
  return read_fittings(query->book, lineup, err);
}

// ---- finding and listing ------------------------------------------------------------------------

// What the three kinds of stock need to be found and listed.
typedef struct stock_kind {
  const row_map *record;
  const char *by_name; ///< WHERE clause.
  size_t size;
  rb_status (*read)(sql_statement *query, void *object, rb_err *err);
  const char *what, *add;
} stock_kind;

static const stock_kind amplifiers = {&amplifier_record, "WHERE name = :name", sizeof(rb_amplifier),
                                      read_amplifier,    "amplifier",          "amp"};
static const stock_kind tubes = {
    &tube_record, "WHERE label = :name", sizeof(rb_tube), read_tube, "tube", "tube"};
static const stock_kind lineups = {
    &lineup_record, "WHERE name = :name", sizeof(rb_lineup), read_lineup, "line-up", "lineup"};

static rb_status find(const stock_kind *kind, rb_book *book, const char *name, void *object,
                      rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(record_prepare_select(kind->record, book, kind->by_name, &query, err));
  statement_bind_text(&query, ":name", name);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return rb_fail(err, RB_NOT_FOUND, "Book '%s' has no %s '%s'. `rollbook %s list` shows all.",
                   book->folder, kind->what, name, kind->add);
  return kind->read(&query, object, err);
}

static rb_status list(const stock_kind *kind, rb_book *book, rb_arena *arena, void **objects,
                      size_t *n, rb_err *err)
{
  char count[64];
  int64_t n_rows = 0;
  snprintf(count, sizeof count, "SELECT count(*) FROM %s", kind->record->table);
  RB_TRY(database_integer(book, count, &n_rows, err));
  *n = 0;
  char *place = *objects = rb_arena_alloc(arena, (size_t)n_rows, kind->size);
  if (!place)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while listing the book.");
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(kind->record, book, "ORDER BY id", &query, err));
  for (; *n < (size_t)n_rows; ++*n, place += kind->size) {
    bool has_row = false;
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      break;
    RB_TRY(kind->read(&query, place, err));
  }
  return RB_OK;
}

rb_status rb_book_amplifier(rb_book *book, const char *name, rb_amplifier *amplifier, rb_err *err)
{
  return find(&amplifiers, book, name, amplifier, err);
}

rb_status rb_book_tube(rb_book *book, const char *label, rb_tube *tube, rb_err *err)
{
  return find(&tubes, book, label, tube, err);
}

rb_status rb_book_lineup(rb_book *book, const char *name, rb_lineup *lineup, rb_err *err)
{
  return find(&lineups, book, name, lineup, err);
}

rb_status rb_book_lineup_by_id(rb_book *book, int64_t id, rb_lineup *lineup, rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(record_prepare_select(&lineup_record, book, "WHERE id = :id", &query, err));
  statement_bind_integer(&query, ":id", id);
  RB_TRY(statement_step(&query, &has_row, err));
  if (!has_row)
    return rb_fail(err, RB_NOT_FOUND, "Book '%s' has no line-up number %lld.", book->folder,
                   (long long)id);
  return read_lineup(&query, lineup, err);
}

rb_status rb_book_amplifiers(rb_book *book, rb_arena *arena, rb_amplifier **all, size_t *n,
                             rb_err *err)
{
  void *objects = NULL;
  rb_status status = list(&amplifiers, book, arena, &objects, n, err);
  *all = objects;
  return status;
}

rb_status rb_book_tubes(rb_book *book, rb_arena *arena, rb_tube **all, size_t *n, rb_err *err)
{
  void *objects = NULL;
  rb_status status = list(&tubes, book, arena, &objects, n, err);
  *all = objects;
  return status;
}

rb_status rb_book_lineups(rb_book *book, rb_arena *arena, rb_lineup **all, size_t *n, rb_err *err)
{
  void *objects = NULL;
  rb_status status = list(&lineups, book, arena, &objects, n, err);
  *all = objects;
  return status;
}
