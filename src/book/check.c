// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "captures.h"

#include <dirent.h>
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { MOST_FINDINGS = 256 };

typedef struct finding_list {
  rb_book_finding *all;
  size_t n;
} finding_list;

// Beyond the room for them, findings are counted in the last one's place.
static void add(finding_list *findings, bool damage, const char *format, ...) RB_PRINTF(3, 4);
static void add(finding_list *findings, bool damage, const char *format, ...)
{
  rb_book_finding finding = {.damage = damage};
  va_list values;
  va_start(values, format);
  vsnprintf(finding.words, sizeof finding.words, format, values);
  va_end(values);
  if (findings->n < MOST_FINDINGS) {
    findings->all[findings->n++] = finding;
    return;
  }
  rb_book_finding *last = &findings->all[MOST_FINDINGS - 1];
  last->damage = last->damage || damage;
  snprintf(last->words, sizeof last->words, "And more findings than can be listed here.");
}

static bool is_damage(const rb_book *book)
{
  int code = sqlite3_errcode(book->database);
  return code == SQLITE_CORRUPT || code == SQLITE_NOTADB || code == SQLITE_IOERR;
}

// A query that fails because the file is damaged is a finding, not the end of the check.
static rb_status or_finding(rb_book *book, finding_list *findings, rb_status status, rb_err *err)
{
  if (status == RB_OK || !is_damage(book))
    return status;
  add(findings, true, "The database is damaged: %s.", sqlite3_errmsg(book->database));
  if (err)
    *err = (rb_err){0};
  return RB_OK;
}

static rb_status check_structure(rb_book *book, finding_list *findings, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(statement_prepare(&query, book, "PRAGMA integrity_check(20)", err));
  for (;;) {
    bool has_row = false;
    char words[256];
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      return RB_OK;
    statement_text(&query, 0, words, sizeof words);
    if (strcmp(words, "ok") != 0)
      add(findings, true, "The database is damaged: %s.", words);
  }
}

static rb_status check_references(rb_book *book, finding_list *findings, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(statement_prepare(&query, book, "PRAGMA foreign_key_check", err));
  for (;;) {
    bool has_row = false;
    char table[64], parent[64];
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      return RB_OK;
    statement_text(&query, 0, table, sizeof table);
    statement_text(&query, 2, parent, sizeof parent);
    add(findings, true, "Row %lld of '%s' belongs to a row of '%s' that is not there.",
        (long long)statement_integer(&query, 1), table, parent);
  }
}

static void check_capture(const rb_book *book, const capture_row *row, finding_list *findings)
{
  char path[CAPTURES_PATH_SIZE];
  int64_t n_bytes = 0, checksum = 0;
  captures_path(book, row->kept.file, path);
  if (access(path, F_OK) != 0)
    add(findings, true, "Capture '%s' of pass %lld is missing.", row->kept.file,
        (long long)row->pass_id);
  else if (captures_measure(path, &n_bytes, &checksum, NULL) != RB_OK)
    add(findings, true, "Capture '%s' of pass %lld cannot be read: %s.", row->kept.file,
        (long long)row->pass_id, strerror(errno));
  else if (n_bytes != row->n_bytes)
    add(findings, true, "Capture '%s' of pass %lld is damaged: %lld bytes instead of %lld.",
        row->kept.file, (long long)row->pass_id, (long long)n_bytes, (long long)row->n_bytes);
  else if (checksum != row->checksum)
    add(findings, true, "Capture '%s' of pass %lld is damaged: its bytes have changed.",
        row->kept.file, (long long)row->pass_id);
}

static rb_status check_captures(rb_book *book, finding_list *findings, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&capture_record, book, "ORDER BY id", &query, err));
  for (;;) {
    bool has_row = false;
    capture_row row = {0};
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      return RB_OK;
    RB_TRY(record_read(&capture_record, &query, 1, &row, err));
    check_capture(book, &row, findings);
  }
}

static rb_status is_known(sql_statement *query, const char *file, bool *known, rb_err *err)
{
  statement_reset(query);
  statement_bind_text(query, ":file", file);
  return statement_step(query, known, err);
}

// Visits each file in captures/ that no row names.
static rb_status visit_orphans(rb_book *book,
                               void (*visit)(void *payload, const rb_book *book, const char *file),
                               void *payload, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(statement_prepare(&query, book, "SELECT 1 FROM capture WHERE file = :file", err));
  DIR *folder = opendir(book->captures);
  if (!folder)
    return errno == ENOENT ? RB_OK
                           : rb_fail(err, RB_STORAGE, "Folder '%s' cannot be read: %s.",
                                     book->captures, strerror(errno));
  rb_status status = RB_OK;
  for (struct dirent *entry; status == RB_OK && (entry = readdir(folder));) {
    bool known = true;
    if (entry->d_name[0] == '.')
      continue;
    status = is_known(&query, entry->d_name, &known, err);
    if (status == RB_OK && !known)
      visit(payload, book, entry->d_name);
  }
  closedir(folder);
  return status;
}

static void report_orphan(void *payload, const rb_book *book, const char *file)
{
  (void)book;
  add(payload, false, "Capture file '%s' belongs to no pass; `rollbook book prune` removes it.",
      file);
}

rb_status rb_book_check(rb_book *book, rb_arena *arena, rb_book_finding **found, size_t *n,
                        rb_err *err)
{
  finding_list findings = {.all = rb_arena_alloc(arena, MOST_FINDINGS, sizeof(rb_book_finding))};
  if (!findings.all)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while checking the book.");
  static rb_status (*const checks[])(rb_book *, finding_list *, rb_err *) = {
      check_structure, check_references, check_captures};
  for (size_t i = 0; i < RB_LEN(checks); i++)
    RB_TRY(or_finding(book, &findings, checks[i](book, &findings, err), err));
  rb_status status = visit_orphans(book, report_orphan, &findings, err);
  RB_TRY(or_finding(book, &findings, status, err));
  *found = findings.all;
  *n = findings.n;
  return RB_OK;
}

static void remove_orphan(void *payload, const rb_book *book, const char *file)
{
  size_t *n_removed = payload;
  char path[CAPTURES_PATH_SIZE];
  captures_path(book, file, path);
  *n_removed += unlink(path) == 0;
}

rb_status rb_book_prune(rb_book *book, size_t *n_removed, rb_err *err)
{
  *n_removed = 0;
  RB_TRY(captures_lock(book, true, err));
  rb_status status = visit_orphans(book, remove_orphan, n_removed, err);
  captures_unlock(book);
  return status;
}
