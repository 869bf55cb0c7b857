// SPDX-License-Identifier: GPL-3.0-or-later
#include "database.h"

#include "rollbook/base/text.h"

#include "migrations.h"
#include "statement.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { BUSY_TIMEOUT_MS = 5000 };

// What each kind of failure means for the person at the bench.
static const struct {
  int code;
  rb_status status;
  const char *words;
} meanings[] = {
    {SQLITE_BUSY, RB_STORAGE,
     "another program is writing to the book; wait for it, then try again"},
    {SQLITE_LOCKED, RB_STORAGE, "another part of the program holds the book; try again"},
    {SQLITE_FULL, RB_STORAGE,
     "the disk is full; free some space and try again, what was in the book is intact"},
    {SQLITE_READONLY, RB_STORAGE, "the book may only be read here; check the folder's permissions"},
    {SQLITE_PERM, RB_STORAGE, "permission was refused; check the folder's permissions"},
    {SQLITE_CANTOPEN, RB_STORAGE,
     "its file cannot be opened or made; check that the folder exists and may be written"},
    {SQLITE_CORRUPT, RB_STORAGE,
     "its database is damaged; `rollbook book check` says more, a backup is the way back"},
    {SQLITE_NOTADB, RB_STORAGE,
     "book.sqlite is not a database; it was damaged or is another file, take a backup"},
    {SQLITE_IOERR, RB_STORAGE, "reading or writing the disk failed"},
    {SQLITE_NOMEM, RB_NO_MEM, "memory ran out"},
    {SQLITE_CONSTRAINT, RB_STORAGE, "the entry does not fit what the book holds"},
};

rb_status database_fail(rb_book *book, rb_err *err, const char *doing, ...)
{
  char what[256];
  va_list values;
  va_start(values, doing);
  vsnprintf(what, sizeof what, doing, values);
  va_end(values);
  int extended = sqlite3_extended_errcode(book->database);
  if (extended == SQLITE_CONSTRAINT_UNIQUE)
    return rb_fail(err, RB_EXISTS, "%s in book '%s': it is there already.", what, book->folder);
  const char *detail = sqlite3_errmsg(book->database);
  for (size_t i = 0; i < RB_LEN(meanings); i++)
    if (meanings[i].code == (extended & 0xff))
      return rb_fail(err, meanings[i].status, "%s '%s': %s (%s).", what, book->folder,
                     meanings[i].words, detail);
  return rb_fail(err, RB_STORAGE, "%s '%s': %s.", what, book->folder, detail);
}

rb_status database_run(rb_book *book, const char *sql, rb_err *err)
{
  if (sqlite3_exec(book->database, sql, NULL, NULL, NULL) != SQLITE_OK)
    return database_fail(book, err, "Writing the book");
  return RB_OK;
}

rb_status database_begin(rb_book *book, rb_err *err)
{
  return database_run(book, "BEGIN IMMEDIATE", err);
}

rb_status database_end(rb_book *book, rb_status status, rb_err *err)
{
  if (status == RB_OK)
    status = database_run(book, "COMMIT", err);
  // A full disk makes SQLite roll back by itself.
  if (status != RB_OK && !sqlite3_get_autocommit(book->database))
    sqlite3_exec(book->database, "ROLLBACK", NULL, NULL, NULL);
  return status;
}

rb_status database_integer(rb_book *book, const char *sql, int64_t *value, rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(statement_prepare(&query, book, sql, err));
  RB_TRY(statement_step(&query, &has_row, err));
  *value = has_row ? statement_integer(&query, 0) : 0;
  return RB_OK;
}

static bool has_bytes(const char *path)
{
  struct stat about;
  return stat(path, &about) == 0 && about.st_size > 0;
}

// A WAL database asks to write beside itself even to be read. On read-only media it is opened as a
// file that cannot change, which is right only when no unfinished log stands beside it.
static rb_status open_unchangeable(rb_book *book, const char *path, rb_err *err)
{
  rb_text uri = {0};
  rb_text_add(&uri, "file:");
  for (const char *c = path; *c; c++)
    rb_text_printf(&uri, strchr("?#%", *c) ? "%%%02X" : "%c", (unsigned char)*c);
  rb_text_add(&uri, "?immutable=1");
  sqlite3_close(book->database);
  book->database = NULL;
  int result = uri.failed ? SQLITE_NOMEM
                          : sqlite3_open_v2(uri.bytes, &book->database,
                                            SQLITE_OPEN_READONLY | SQLITE_OPEN_URI, NULL);
  rb_text_free(&uri);
  return result == SQLITE_OK ? RB_OK : database_fail(book, err, "Opening book");
}

static rb_status open_file(rb_book *book, rb_err *err)
{
  char path[4096], log[4096];
  snprintf(path, sizeof path, "%s/book.sqlite", book->folder);
  snprintf(log, sizeof log, "%s/book.sqlite-wal", book->folder);
  int flags = SQLITE_OPEN_READWRITE | (book->mode == RB_BOOK_CREATE ? SQLITE_OPEN_CREATE : 0);
  int result = sqlite3_open_v2(path, &book->database, flags, NULL);
  if (!book->database)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while opening book '%s'.", book->folder);
  if (result != SQLITE_OK)
    return database_fail(book, err, "Opening book");
  if (access(book->folder, W_OK) == 0 && access(path, W_OK) == 0)
    return RB_OK;
  if (book->mode != RB_BOOK_READ)
    return rb_fail(err, RB_STORAGE,
                   "Book '%s' may only be read here: check the folder's permissions.",
                   book->folder);
  return has_bytes(log) ? RB_OK : open_unchangeable(book, path, err);
}

static rb_status set_up(rb_book *book, rb_err *err)
{
  sqlite3_extended_result_codes(book->database, 1);
  sqlite3_busy_timeout(book->database, BUSY_TIMEOUT_MS);
  RB_TRY(database_run(book,
                      "PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF;"
                      "PRAGMA synchronous = FULL;",
                      err));
  int64_t application = 0, tables = 0;
  RB_TRY(database_integer(book, "PRAGMA application_id", &application, err));
  RB_TRY(database_integer(book, "SELECT count(*) FROM sqlite_schema", &tables, err));
  if (application == BOOK_APPLICATION_ID)
    return RB_OK;
  if (application || tables || book->mode != RB_BOOK_CREATE)
    return rb_fail(err, RB_STORAGE,
                   "'%s/book.sqlite' is a database, but not a book. Choose another folder.",
                   book->folder);
  return RB_OK;
}

static rb_status refuse_newer(rb_book *book, int64_t version, size_t newest, rb_err *err)
{
  if (version <= (int64_t)newest)
    return RB_OK;
  return rb_fail(err, RB_STORAGE,
                 "Book '%s' was written by a newer rollbook (schema %lld; this one knows up to "
                 "%zu). Install the newer version to open it; nothing was touched.",
                 book->folder, (long long)version, newest);
}

static rb_status run_migrations(rb_book *book, rb_err *err)
{
  size_t newest = 0;
  const char *const *texts = book_migrations(&newest);
  int64_t version = 0; // Read again under the lock: another program may have been faster.
  RB_TRY(database_integer(book, "PRAGMA user_version", &version, err));
  RB_TRY(refuse_newer(book, version, newest, err));
  for (; version < (int64_t)newest; version++)
    RB_TRY(database_run(book, texts[version], err));
  char stamp[96];
  snprintf(stamp, sizeof stamp, "PRAGMA application_id = %d; PRAGMA user_version = %zu",
           BOOK_APPLICATION_ID, newest);
  return database_run(book, stamp, err);
}

static rb_status migrate(rb_book *book, rb_err *err)
{
  size_t newest = 0;
  book_migrations(&newest);
  int64_t version = 0;
  RB_TRY(database_integer(book, "PRAGMA user_version", &version, err));
  RB_TRY(refuse_newer(book, version, newest, err));
  if (version == (int64_t)newest)
    return RB_OK;
  if (sqlite3_db_readonly(book->database, "main"))
    return rb_fail(err, RB_STORAGE,
                   "Book '%s' has an older schema and may only be read here. Open it once where it "
                   "may be written, so that it can be brought up to date.",
                   book->folder);
  RB_TRY(database_begin(book, err));
  return database_end(book, run_migrations(book, err), err);
}

rb_status database_open(rb_book *book, rb_err *err)
{
  RB_TRY(open_file(book, err));
  RB_TRY(set_up(book, err));
  if (book->mode != RB_BOOK_READ)
    RB_TRY(database_run(book, "PRAGMA journal_mode = WAL", err));
  RB_TRY(migrate(book, err));
  if (book->mode == RB_BOOK_READ)
    return database_run(book, "PRAGMA query_only = ON", err);
  return RB_OK;
}
