// SPDX-License-Identifier: GPL-3.0-or-later
#include "ini_text.h"

#include "rollbook/base/text.h"
#include "rollbook/stimulus/signal.h"

#include <ini.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

rb_status ini_fail(rb_err *err, const ini_line *line, const char *format, ...)
{
  char words[RB_MESSAGE_SIZE];
  va_list values;
  va_start(values, format);
  vsnprintf(words, sizeof words, format, values);
  va_end(values);
  if (line->number)
    return rb_fail(err, RB_FORMAT, "%s, line %d: %s.", line->file, line->number, words);
  return rb_fail(err, RB_FORMAT, "%s: %s.", line->file, words);
}

// ---- checks before the parser sees the text -----------------------------------------------------

// The parser's buffer holds INI_MAX_LINE bytes with line end and NUL.
enum { LONGEST_LINE = INI_MAX_LINE - 3 };

static rb_status check_line(const char *file, int number, const char *line, size_t length,
                            rb_err *err)
{
  char copy[LONGEST_LINE + 1];
  const ini_line at = {.file = file, .number = number};
  if (length > LONGEST_LINE)
    return ini_fail(err, &at, "the line is longer than %d bytes", LONGEST_LINE);
  for (size_t i = 0; i < length; i++)
    copy[i] = line[i] == '\t' ? ' ' : line[i];
  copy[length] = '\0';
  if (strlen(copy) != length || (length && !rb_text_is_name(copy, length)))
    return ini_fail(err, &at, "this is not plain UTF-8 text");
  return RB_OK;
}

static rb_status check_text(const char *file, const char *text, size_t n_bytes, rb_err *err)
{
  if (n_bytes > RB_SIGNAL_FILE_BYTES)
    return rb_fail(err, RB_FORMAT, "%s is larger than %d bytes; it is no signal or plan file.",
                   file, RB_SIGNAL_FILE_BYTES);
  const char *end = text + n_bytes;
  for (int number = 1; text < end; number++) {
    const char *stop = memchr(text, '\n', (size_t)(end - text));
    size_t length = (size_t)((stop ? stop : end) - text);
    size_t kept = length && text[length - 1] == '\r' ? length - 1 : length;
    RB_TRY(check_line(file, number, text, kept, err));
    text += length + 1;
  }
  return RB_OK;
}

// ---- the parser, told line numbers --------------------------------------------------------------

typedef struct reading_state {
  const char *file, *at, *end;
  int number; // of the line handed out last
  ini_visitor visit;
  void *payload;
  rb_err *err;
  rb_status status; // the visitor's first failure …
  int failed_line;  // … and where
} reading_state;

// As fgets; indentation is dropped, else the parser takes the line for a continuation.
static char *next_line(char *line, int size, void *stream)
{
  reading_state *state = stream;
  if (state->at >= state->end || state->status != RB_OK)
    return NULL;
  const char *stop = memchr(state->at, '\n', (size_t)(state->end - state->at));
  const char *behind = stop ? stop + 1 : state->end;
  while (state->at < behind && (*state->at == ' ' || *state->at == '\t'))
    state->at++;
  size_t length = (size_t)(behind - state->at);
  if (length >= (size_t)size)
    length = (size_t)size - 1;
  memcpy(line, state->at, length);
  line[length] = '\0';
  state->at = behind;
  state->number++;
  return line;
}

static int take_line(void *user, const char *section, const char *name, const char *value)
{
  reading_state *state = user;
  if (state->status != RB_OK)
    return 0;
  const ini_line line = {.file = state->file,
                         .number = state->number,
                         .section = section,
                         .name = name,
                         .value = value};
  state->status = *section ? state->visit(state->payload, &line, state->err)
                           : ini_fail(state->err, &line, "'%s' stands before any [section]", name);
  state->failed_line = state->number;
  return state->status == RB_OK;
}

rb_status ini_read(const char *file, const char *text, size_t n_bytes, ini_visitor visit,
                   void *payload, rb_err *err)
{
  RB_TRY(check_text(file, text, n_bytes, err));
  reading_state state = {.file = file,
                         .at = text,
                         .end = text + n_bytes,
                         .visit = visit,
                         .payload = payload,
                         .err = err};
  int bad_line = ini_parse_stream(next_line, &state, take_line, &state);
  const ini_line at = {.file = file, .number = bad_line};
  if (bad_line && (state.status == RB_OK || bad_line < state.failed_line))
    return ini_fail(err, &at, "neither [section] nor name = value");
  return state.status;
}

// ---- values -------------------------------------------------------------------------------------

rb_status ini_take_text(const ini_line *line, char *target, size_t size, rb_err *err)
{
  if (target[0])
    return ini_fail(err, line, "'%s' is set twice", line->name);
  if (!line->value[0])
    return ini_fail(err, line, "'%s' has no value", line->name);
  if (!rb_text_copy(target, size, line->value))
    return ini_fail(err, line, "the value of '%s' is longer than %zu bytes", line->name, size - 1);
  return RB_OK;
}

rb_status ini_take_number(const ini_line *line, double lowest, double highest, double *value,
                          rb_err *err)
{
  double number = 0;
  if (!rb_text_to_number(line->value, &number))
    return ini_fail(err, line, "'%s = %s' is no number", line->name, line->value);
  if (number < lowest || number > highest)
    return ini_fail(err, line, "'%s = %s' is outside %g to %g", line->name, line->value, lowest,
                    highest);
  *value = number;
  return RB_OK;
}

rb_status ini_name_of(const char *file, char *name, size_t size, rb_err *err)
{
  const char *slash = strrchr(file, '/');
  const char *start = slash ? slash + 1 : file;
  size_t length = strlen(start);
  if (length > 4 && strcmp(start + length - 4, ".ini") == 0)
    length -= 4;
  if (!length || length >= size)
    return rb_fail(err, RB_FORMAT, "%s: a signal's or plan's name has 1 to %zu bytes.", file,
                   size - 1);
  memcpy(name, start, length);
  name[length] = '\0';
  return RB_OK;
}
