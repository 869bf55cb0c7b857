// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/error.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void replace_control_characters(char *text)
{
  for (; *text; text++)
    if ((unsigned char)*text < 0x20 || *text == 0x7f)
      *text = '?';
}

rb_status rb_fail(rb_err *err, rb_status status, const char *format, ...)
{
  if (!err)
    return status;
  va_list values;
  va_start(values, format);
  vsnprintf(err->message, sizeof err->message, format, values);
  va_end(values);
  replace_control_characters(err->message);
  err->status = status;
  return status;
}

rb_status rb_fail_within(rb_err *err, rb_status status, const char *format, ...)
{
  if (!err)
    return status;
  char inner[RB_MESSAGE_SIZE];
  memcpy(inner, err->message, sizeof inner);
  va_list values;
  va_start(values, format);
  int length = vsnprintf(err->message, sizeof err->message, format, values);
  va_end(values);
  if (length >= 0 && (size_t)length < sizeof err->message)
    snprintf(err->message + length, sizeof err->message - (size_t)length, ": %s",
             inner[0] ? inner : rb_status_text(status));
  replace_control_characters(err->message);
  err->status = status;
  return status;
}
