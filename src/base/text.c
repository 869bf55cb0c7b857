// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void rb_text_free(rb_text *text)
{
  free(text->bytes);
  *text = (rb_text){0};
}

static bool reserve(rb_text *text, size_t extra)
{
  if (text->failed)
    return false;
  size_t needed = text->length + extra + 1;
  if (needed <= text->capacity)
    return true;
  size_t capacity = text->capacity ? text->capacity : 256;
  while (capacity < needed)
    capacity *= 2;
  char *bytes = realloc(text->bytes, capacity);
  if (!bytes) {
    text->failed = true;
    return false;
  }
  text->bytes = bytes;
  text->capacity = capacity;
  return true;
}

void rb_text_add_bytes(rb_text *text, const char *bytes, size_t n_bytes)
{
  if (!reserve(text, n_bytes))
    return;
  memcpy(text->bytes + text->length, bytes, n_bytes);
  text->length += n_bytes;
  text->bytes[text->length] = '\0';
}

void rb_text_add(rb_text *text, const char *addition)
{
  rb_text_add_bytes(text, addition, strlen(addition));
}

void rb_text_printf(rb_text *text, const char *format, ...)
{
  va_list values;
  va_start(values, format);
  va_list again;
  va_copy(again, values);
  int length = vsnprintf(NULL, 0, format, values);
  va_end(values);
  if (length < 0)
    text->failed = true;
  else if (reserve(text, (size_t)length)) {
    vsnprintf(text->bytes + text->length, (size_t)length + 1, format, again);
    text->length += (size_t)length;
  }
  va_end(again);
}

bool rb_text_copy(char *target, size_t size, const char *source)
{
  size_t length = strlen(source);
  if (length < size) {
    memcpy(target, source, length + 1);
    return true;
  }
  size_t kept = size - 1;
  while (kept && ((unsigned char)source[kept] & 0xC0) == 0x80)
    kept--;
  memcpy(target, source, kept);
  target[kept] = '\0';
  return false;
}

// Length of the UTF-8 sequence at `at`, 0 where it is none (RFC 3629: no overlong forms, no
// surrogates, nothing above U+10FFFF).
static size_t utf8_length(const unsigned char *at)
{
  if (at[0] < 0x80)
    return 1;
  size_t n = at[0] >= 0xF0 ? 4 : at[0] >= 0xE0 ? 3 : 2;
  if (at[0] < 0xC2 || at[0] > 0xF4)
    return 0;
  for (size_t i = 1; i < n; i++)
    if ((at[i] & 0xC0) != 0x80)
      return 0;
  if ((at[0] == 0xE0 && at[1] < 0xA0) || (at[0] == 0xED && at[1] > 0x9F) ||
      (at[0] == 0xF0 && at[1] < 0x90) || (at[0] == 0xF4 && at[1] > 0x8F))
    return 0;
  return n;
}

static bool is_control(const unsigned char *at, size_t length)
{
  bool c1 = length == 2 && at[0] == 0xC2 && at[1] < 0xA0;
  return *at < 0x20 || *at == 0x7f || c1;
}

bool rb_text_is_name(const char *text, size_t most)
{
  size_t length = strlen(text);
  if (!length || length > most)
    return false;
  for (const unsigned char *at = (const unsigned char *)text; *at;) {
    size_t n = utf8_length(at);
    if (!n || is_control(at, n))
      return false;
    at += n;
  }
  return true;
}

void rb_text_add_valid(rb_text *text, const char *source)
{
  static const char replacement[] = "\xEF\xBF\xBD";
  for (const unsigned char *at = (const unsigned char *)source; *at;) {
    size_t n = utf8_length(at);
    bool kept = n && (!is_control(at, n) || *at == '\t' || *at == '\n');
    if (kept)
      rb_text_add_bytes(text, (const char *)at, n);
    else
      rb_text_add(text, replacement);
    at += n ? n : 1;
  }
}

void rb_text_add_escaped(rb_text *text, const char *source)
{
  static const struct {
    char byte;
    const char *reference;
  } references[] = {{'&', "&amp;"}, {'<', "&lt;"}, {'>', "&gt;"}, {'"', "&quot;"}, {'\'', "&#39;"}};
  rb_text valid = {0};
  rb_text_add_valid(&valid, source);
  text->failed = text->failed || valid.failed;
  for (const char *at = valid.length ? valid.bytes : ""; *at; at++) {
    const char *reference = NULL;
    for (size_t i = 0; i < RB_LEN(references); i++)
      if (references[i].byte == *at)
        reference = references[i].reference;
    if (reference)
      rb_text_add(text, reference);
    else
      rb_text_add_bytes(text, at, 1);
  }
  rb_text_free(&valid);
}

bool rb_text_to_number(const char *text, double *number)
{
  // The program never calls setlocale for numbers, so strtod reads a point.
  char *end = NULL;
  double value = strtod(text, &end);
  if (end == text || !isfinite(value))
    return false;
  while (isspace((unsigned char)*end))
    end++;
  if (*end)
    return false;
  *number = value;
  return true;
}
