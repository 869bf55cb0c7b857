// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/book/book.h"

#include "captures.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/sendfile.h>
#include <sys/stat.h>
#include <unistd.h>

static rb_status copy_database(rb_book *from, rb_book *to, rb_err *err)
{
  sqlite3_backup *backup = sqlite3_backup_init(to->database, "main", from->database, "main");
  if (!backup)
    return database_fail(to, err, "Beginning the backup in");
  int result = sqlite3_backup_step(backup, -1);
  sqlite3_backup_finish(backup);
  return result == SQLITE_DONE ? RB_OK : database_fail(to, err, "Writing the backup in");
}

static rb_status copy_bytes(int from, int to)
{
  for (;;) {
    ssize_t n = sendfile(to, from, NULL, 1 << 20);
    if (n < 0)
      return RB_STORAGE;
    if (n == 0)
      return fsync(to) == 0 ? RB_OK : RB_STORAGE;
  }
}

static rb_status copy_capture(const rb_book *book, const rb_book *to, const char *file, rb_err *err)
{
  char source[CAPTURES_PATH_SIZE], target[CAPTURES_PATH_SIZE];
  captures_path(book, file, source);
  captures_path(to, file, target);
  int in = open(source, O_RDONLY | O_CLOEXEC);
  if (in < 0)
    return rb_fail(err, RB_STORAGE, "Capture '%s' cannot be read: %s.", source, strerror(errno));
  int out = open(target, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
  rb_status status = out < 0 ? RB_STORAGE : copy_bytes(in, out);
  if (status != RB_OK)
    rb_fail(err, RB_STORAGE, "Capture '%s' could not be copied to '%s': %s.", source, target,
            strerror(errno));
  if (out >= 0)
    close(out);
  close(in);
  return status;
}

// Goes by the rows of the copy, so that captures written meanwhile are not half there.
static rb_status copy_captures(rb_book *book, rb_book *to, rb_err *err)
{
  STATEMENT query = {0};
  RB_TRY(statement_prepare(&query, to, "SELECT file FROM capture ORDER BY id", err));
  for (;;) {
    bool has_row = false;
    char file[sizeof((rb_kept_capture *)NULL)->file];
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      return RB_OK;
    statement_text(&query, 0, file, sizeof file);
    RB_TRY(copy_capture(book, to, file, err));
  }
}

rb_status rb_book_backup(rb_book *book, const char *to, rb_err *err)
{
  char path[CAPTURES_PATH_SIZE];
  snprintf(path, sizeof path, "%s/book.sqlite", to);
  if (access(path, F_OK) == 0)
    return rb_fail(err, RB_EXISTS, "There is a book in '%s' already. Choose another folder.", to);
  rb_book *copy = NULL;
  RB_TRY(rb_book_open(to, RB_BOOK_CREATE, &copy, err));
  rb_status status = copy_database(book, copy, err);
  if (status == RB_OK)
    status = copy_captures(book, copy, err);
  rb_book_close(copy);
  return status;
}
