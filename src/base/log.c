// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/log.h"
#include "rollbook/base/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <unistd.h>

static atomic_int descriptor = -1;

int rb_log_to_file(const char *path)
{
  int fresh = -1;
  if (path) {
    fresh = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
    if (fresh < 0)
      return errno;
  }
  int old = atomic_exchange(&descriptor, fresh);
  if (old >= 0)
    close(old);
  return 0;
}

int rb_log_descriptor(void)
{
  return atomic_load(&descriptor);
}

void rb_log(rb_log_level level, const char *format, ...)
{
  static const char *const names[] = {"debug", "info", "warning"};
  int target = atomic_load(&descriptor);
  if (target < 0)
    return;
  char line[1024];
  char time_text[RB_TIME_SIZE];
  const rb_clock *clock = rb_clock_system();
  rb_clock_utc_text(clock->utc_s(clock->payload), time_text);
  int start = snprintf(line, sizeof line, "%s %s ", time_text, names[level]);
  va_list values;
  va_start(values, format);
  int length = vsnprintf(line + start, sizeof line - (size_t)start - 1, format, values);
  va_end(values);
  if (length < 0)
    return;
  size_t end = (size_t)start + (size_t)length;
  if (end > sizeof line - 2)
    end = sizeof line - 2;
  line[end++] = '\n';
  // One write a line keeps lines of several processes whole; a log that cannot be written is
  // not worth stopping a measurement for.
  if (write(target, line, end) < 0)
    return;
}
