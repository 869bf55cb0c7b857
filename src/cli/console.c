// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/console.h"

#include "rollbook/base/text.h"

#include <errno.h>
#include <stdarg.h>
#include <string.h>

int rb_columns(const char *text)
{
  int n = 0;
  for (; *text; text++)
    n += ((unsigned char)*text & 0xC0) != 0x80;
  return n;
}

static void new_line(FILE *file, int indent)
{
  fprintf(file, "\n%*s", indent, "");
}

// Bytes of the word at `text` and the columns it takes.
static size_t word_length(const char *text, int *columns)
{
  size_t length = strcspn(text, " \n");
  int n = 0;
  for (size_t i = 0; i < length; i++)
    n += ((unsigned char)text[i] & 0xC0) != 0x80;
  *columns = n;
  return length;
}

void rb_wrap(FILE *file, const char *text, int column, int indent)
{
  bool fresh = true; // nothing stands on this line yet
  while (*text) {
    if (*text == '\n') {
      new_line(file, text[1] == '\n' ? 0 : indent);
      column = indent;
      fresh = true;
      text++;
      continue;
    }
    if (*text == ' ' && !fresh) {
      text++;
      continue;
    }
    int width = 0;
    size_t blanks = fresh ? strspn(text, " ") : 0;
    size_t length = word_length(text + blanks, &width);
    if (!fresh && column + 1 + width >= RB_CONSOLE_COLUMNS) {
      new_line(file, indent);
      column = indent;
      fresh = true;
    }
    fprintf(file, "%*s", fresh ? (int)blanks : 1, "");
    fwrite(text + blanks, 1, length, file);
    column += (fresh ? (int)blanks : 1) + width;
    fresh = false;
    text += blanks + length;
  }
  fputc('\n', file);
}

static void wrap_formatted(FILE *file, const char *format, va_list values)
{
  char small[512];
  va_list again;
  va_copy(again, values);
  int length = vsnprintf(small, sizeof small, format, values);
  if (length >= 0 && (size_t)length < sizeof small) {
    rb_wrap(file, small, 0, 0);
  } else {
    vfprintf(file, format, again);
    fputc('\n', file);
  }
  va_end(again);
}

void rb_console_say(rb_console *console, const char *format, ...)
{
  if (console->quiet)
    return;
  va_list values;
  va_start(values, format);
  wrap_formatted(console->err, format, values);
  va_end(values);
}

void rb_console_tell(rb_console *console, const char *format, ...)
{
  if (console->json)
    return;
  va_list values;
  va_start(values, format);
  wrap_formatted(console->out, format, values);
  va_end(values);
}

const char *rb_cell(rb_console *console, const char *format, ...)
{
  va_list values, again;
  va_start(values, format);
  va_copy(again, values);
  int length = vsnprintf(NULL, 0, format, values);
  char *cell = length >= 0 ? rb_arena_alloc(console->arena, (size_t)length + 1, 1) : NULL;
  if (cell)
    vsnprintf(cell, (size_t)length + 1, format, again);
  va_end(again);
  va_end(values);
  return cell ? cell : "";
}

static void trim(char *text)
{
  size_t length = strlen(text);
  while (length && strchr(" \t\r\n", text[length - 1]))
    text[--length] = '\0';
  size_t blanks = strspn(text, " \t");
  memmove(text, text + blanks, length - blanks + 1);
}

rb_status rb_console_ask(rb_console *console, const char *question, char *answer, size_t size,
                         rb_err *err)
{
  if (!console->can_ask)
    return rb_fail(err, RB_UNSAFE, "There is a question to answer, but no terminal to ask on: %s",
                   question);
  fprintf(console->err, "%s ", question);
  fflush(console->err);
  for (;;) {
    errno = 0;
    char *line = fgets(answer, (int)size, console->in);
    if (line && !rb_cancel_requested(console->cancel))
      break;
    if (rb_cancel_requested(console->cancel) || feof(console->in) || errno != EINTR)
      return rb_fail(err, RB_CANCELLED, "Stopped at the question: %s", question);
    clearerr(console->in);
  }
  trim(answer);
  return RB_OK;
}
