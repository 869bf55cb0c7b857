// SPDX-License-Identifier: GPL-3.0-or-later
#include "captures.h"

#include "blob.h"
#include "capture_file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <unistd.h>

void captures_path(const rb_book *book, const char *file, char path[CAPTURES_PATH_SIZE])
{
  snprintf(path, CAPTURES_PATH_SIZE, "%s/%s", book->captures, file);
}

// Removing leftovers takes a moment and a pass must not be lost for it, so a writer waits; whoever
// wants to be alone does not.
static bool take_lock(int descriptor, bool alone)
{
  enum { TRIES = 200, PAUSE_US = 50000 };
  for (int i = 0; i < (alone ? 1 : TRIES); i++) {
    if (flock(descriptor, (alone ? LOCK_EX : LOCK_SH) | LOCK_NB) == 0)
      return true;
    if (errno != EWOULDBLOCK && errno != EINTR)
      return false;
    if (!alone)
      usleep(PAUSE_US);
  }
  return false;
}

rb_status captures_lock(rb_book *book, bool alone, rb_err *err)
{
  char path[CAPTURES_PATH_SIZE];
  captures_path(book, ".lock", path);
  if (mkdir(book->captures, 0777) != 0 && errno != EEXIST)
    return rb_fail(err, RB_STORAGE, "Folder '%s' cannot be made: %s.", book->captures,
                   strerror(errno));
  book->captures_lock = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
  if (book->captures_lock < 0)
    return rb_fail(err, RB_STORAGE, "Folder '%s' cannot be written: %s. Check its permissions.",
                   book->captures, strerror(errno));
  if (take_lock(book->captures_lock, alone))
    return RB_OK;
  captures_unlock(book);
  return rb_fail(err, RB_STORAGE,
                 "Book '%s' is in use: a pass is being written, or leftovers removed. Try again.",
                 book->folder);
}

void captures_unlock(rb_book *book)
{
  if (book->captures_lock >= 0)
    close(book->captures_lock);
  book->captures_lock = -1;
}

rb_status captures_measure(const char *path, int64_t *n_bytes, int64_t *checksum, rb_err *err)
{
  FILE *file = fopen(path, "rb");
  if (!file)
    return rb_fail(err, RB_STORAGE, "Capture '%s' cannot be read: %s.", path, strerror(errno));
  static const size_t chunk = 65536;
  unsigned char bytes[65536];
  uint32_t crc = 0;
  *n_bytes = 0;
  for (size_t n = 0; (n = fread(bytes, 1, chunk, file)) > 0; *n_bytes += (int64_t)n)
    crc = blob_crc32(crc, bytes, n);
  bool failed = ferror(file) != 0;
  fclose(file);
  *checksum = crc;
  return failed ? rb_fail(err, RB_STORAGE, "Reading capture '%s' failed.", path) : RB_OK;
}

// Named by moment and chance, so that no number must be asked of the database before the file is
// whole.
static rb_status choose_name(const rb_kept_capture *kept, bool as_flac, char *name, size_t size,
                             rb_err *err)
{
  uint64_t chance = 0;
  if (getrandom(&chance, sizeof chance, 0) != sizeof chance)
    return rb_fail(err, RB_STORAGE, "The system gives no random numbers: %s.", strerror(errno));
  snprintf(name, size, "%016llx-%s.%s", (unsigned long long)chance, rb_channel_name(kept->drive),
           as_flac ? "flac" : "wav");
  return RB_OK;
}

static rb_status write_one(rb_book *book, const rb_kept_capture *kept, capture_row *row,
                           rb_err *err)
{
  char path[CAPTURES_PATH_SIZE], part[CAPTURES_PATH_SIZE + 8];
  bool as_flac = capture_file_fits_flac(&kept->capture);
  row->kept = *kept;
  row->kept.capture.frames = NULL;
  RB_TRY(choose_name(kept, as_flac, row->kept.file, sizeof row->kept.file, err));
  captures_path(book, row->kept.file, path);
  snprintf(part, sizeof part, "%s.part", path);
  rb_status status = capture_file_write(part, &kept->capture, as_flac, err);
  if (status == RB_OK)
    status = captures_measure(part, &row->n_bytes, &row->checksum, err);
  if (status == RB_OK && rename(part, path) != 0)
    status = rb_fail(err, RB_STORAGE, "Capture '%s' cannot be named: %s.", path, strerror(errno));
  if (status != RB_OK)
    unlink(part);
  return status;
}

// After this the names are on the disk too.
static rb_status flush_folder(const rb_book *book, rb_err *err)
{
  int descriptor = open(book->captures, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (descriptor >= 0 && fsync(descriptor) == 0) {
    close(descriptor);
    return RB_OK;
  }
  rb_status status = rb_fail(err, RB_STORAGE, "Folder '%s' cannot be flushed to the disk: %s.",
                             book->captures, strerror(errno));
  if (descriptor >= 0)
    close(descriptor);
  return status;
}

void captures_remove(const rb_book *book, const capture_row *rows, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    char path[CAPTURES_PATH_SIZE];
    captures_path(book, rows[i].kept.file, path);
    unlink(path);
  }
}

rb_status captures_write(rb_book *book, const rb_kept_capture *captures, size_t n,
                         capture_row *rows, rb_err *err)
{
  size_t done = 0;
  rb_status status = RB_OK;
  for (; status == RB_OK && done < n; done += status == RB_OK)
    status = write_one(book, &captures[done], &rows[done], err);
  if (status == RB_OK && n > 0)
    status = flush_folder(book, err);
  if (status != RB_OK)
    captures_remove(book, rows, done);
  return status;
}

static rb_status take_capture(sql_statement *query, bool with_frames, rb_arena *arena,
                              rb_kept_capture *kept, rb_err *err)
{
  capture_row row = {0};
  RB_TRY(record_read(&capture_record, query, 1, &row, err));
  *kept = row.kept;
  if (!with_frames)
    return RB_OK;
  char path[CAPTURES_PATH_SIZE];
  captures_path(query->book, kept->file, path);
  return capture_file_read(path, arena, &kept->capture, err);
}

static rb_status count_captures(rb_book *book, int64_t pass_id, size_t *n, rb_err *err)
{
  STATEMENT query = {0};
  bool has_row = false;
  RB_TRY(
      statement_prepare(&query, book, "SELECT count(*) FROM capture WHERE pass_id = :pass", err));
  statement_bind_integer(&query, ":pass", pass_id);
  RB_TRY(statement_step(&query, &has_row, err));
  *n = has_row ? (size_t)statement_integer(&query, 0) : 0;
  return RB_OK;
}

rb_status rb_book_captures(rb_book *book, int64_t pass_id, bool with_frames, rb_arena *arena,
                           rb_kept_capture **captures, size_t *n, rb_err *err)
{
  size_t n_rows = 0;
  *n = 0;
  RB_TRY(count_captures(book, pass_id, &n_rows, err));
  *captures = rb_arena_alloc(arena, n_rows, sizeof **captures);
  if (!*captures)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while reading captures.");
  STATEMENT query = {0};
  RB_TRY(record_prepare_select(&capture_record, book, "WHERE pass_id = :pass ORDER BY id", &query,
                               err));
  statement_bind_integer(&query, ":pass", pass_id);
  for (; *n < n_rows; ++*n) {
    bool has_row = false;
    RB_TRY(statement_step(&query, &has_row, err));
    if (!has_row)
      break;
    RB_TRY(take_capture(&query, with_frames, arena, &(*captures)[*n], err));
  }
  return RB_OK;
}
