// SPDX-License-Identifier: GPL-3.0-or-later
#include "output_file.h"

#include <errno.h>
#include <limits.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static rb_status cannot_write(const char *path, rb_err *err)
{
  return rb_fail(err, RB_STORAGE, "'%.300s' cannot be written: %s.", path, strerror(errno));
}

rb_status rb_write_file(const char *path, const char *bytes, size_t n_bytes, rb_err *err)
{
  char fresh[PATH_MAX];
  int length = snprintf(fresh, sizeof fresh, "%s.%ld.part", path, (long)getpid());
  if (length < 0 || (size_t)length >= sizeof fresh) {
    errno = ENAMETOOLONG;
    return cannot_write(path, err);
  }
  FILE *file = fopen(fresh, "wbxe");
  if (!file)
    return cannot_write(path, err);
  bool fine =
      fwrite(bytes, 1, n_bytes, file) == n_bytes && fflush(file) == 0 && fsync(fileno(file)) == 0;
  int reason = errno;
  fine = fclose(file) == 0 && fine;
  if (fine && rename(fresh, path) == 0)
    return RB_OK;
  errno = fine ? errno : reason;
  rb_status status = cannot_write(path, err);
  unlink(fresh);
  return status;
}
