// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/csv.h"

#include "rollbook/base/error.h"

#include <stdbool.h>
#include <string.h>

enum { MOST_FIELDS = 64 };

rb_csv rb_csv_of(const char *text)
{
  static const char byte_order_mark[] = "\xEF\xBB\xBF";
  bool marked = strncmp(text, byte_order_mark, 3) == 0;
  return (rb_csv){.at = marked ? text + 3 : text, .next_line = 1};
}

static char separator_of(const char *record)
{
  size_t line = strcspn(record, "\r\n");
  bool commas = memchr(record, ',', line) != NULL;
  return !commas && memchr(record, ';', line) ? ';' : ',';
}

static bool ends_line(char c)
{
  return c == '\r' || c == '\n' || c == '\0';
}

static void skip_line_end(rb_csv *csv)
{
  if (*csv->at == '\0')
    return;
  csv->at += csv->at[0] == '\r' && csv->at[1] == '\n' ? 2 : 1;
  csv->next_line++;
}

// From behind the opening quote to behind the closing one; doubled quotes are one.
static rb_status read_quoted(rb_csv *csv, char *field)
{
  for (csv->at++; *csv->at; csv->at++) {
    if (*csv->at == '"' && *++csv->at != '"') {
      *field = '\0';
      return *csv->at == csv->separator || ends_line(*csv->at) ? RB_OK : RB_FORMAT;
    }
    csv->next_line += *csv->at == '\n';
    *field++ = *csv->at;
  }
  return RB_FORMAT;
}

static rb_status read_plain(rb_csv *csv, char *field)
{
  for (; !ends_line(*csv->at) && *csv->at != csv->separator; csv->at++) {
    if (*csv->at == '"')
      return RB_FORMAT;
    *field++ = *csv->at;
  }
  *field = '\0';
  return RB_OK;
}

// Bytes the field can have at most: to the end of its line, or of its quotes.
static size_t room_for(const rb_csv *csv)
{
  if (*csv->at != '"')
    return strcspn(csv->at, "\r\n") + 1;
  const char *end = csv->at + 1;
  while (*end && (*end != '"' || end[1] == '"'))
    end += *end == '"' ? 2 : 1;
  return (size_t)(end - csv->at) + 1;
}

rb_status rb_csv_next(rb_csv *csv, rb_arena *arena, const char ***fields, size_t *n)
{
  *n = 0;
  while (*csv->at == '\r' || *csv->at == '\n')
    skip_line_end(csv);
  if (!csv->separator)
    csv->separator = separator_of(csv->at);
  csv->line = csv->next_line;
  *fields = rb_arena_alloc(arena, MOST_FIELDS, sizeof **fields);
  if (!*fields)
    return RB_NO_MEM;
  if (*csv->at == '\0')
    return RB_OK;
  for (;;) {
    char *field = rb_arena_alloc(arena, room_for(csv), 1);
    if (!field)
      return RB_NO_MEM;
    if (*n == MOST_FIELDS)
      return RB_FORMAT;
    (*fields)[(*n)++] = field;
    RB_TRY(*csv->at == '"' ? read_quoted(csv, field) : read_plain(csv, field));
    if (*csv->at != csv->separator)
      break;
    csv->at++;
  }
  skip_line_end(csv);
  return RB_OK;
}
