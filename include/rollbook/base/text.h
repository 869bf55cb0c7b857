// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_TEXT_H
#define ROLLBOOK_BASE_TEXT_H

#include "rollbook/base/attributes.h"

#include <stdbool.h>
#include <stddef.h>

/// A text that grows. Starts as {0}. When memory runs out `failed` is set and later additions do
/// nothing, so a writer checks once at its end.
typedef struct rb_text {
  char *bytes; ///< Always ends in NUL when not NULL.
  size_t length;
  size_t capacity;
  bool failed;
} rb_text;

void rb_text_free(rb_text *text); ///< Leaves an empty text. {0} is allowed.
void rb_text_add(rb_text *text, const char *addition);
void rb_text_add_bytes(rb_text *text, const char *bytes, size_t n_bytes);
void rb_text_printf(rb_text *text, const char *format, ...) RB_PRINTF(2, 3);

/// Adds `source` with what XML, HTML and JSON cannot carry replaced by U+FFFD: bytes that are not
/// UTF-8, control characters other than tab and newline.
void rb_text_add_valid(rb_text *text, const char *source);

/// The same with & < > " ' as references: text or attribute value of HTML and XML.
void rb_text_add_escaped(rb_text *text, const char *source);

/// Copies `source` into `target` of `size` bytes, cut at a UTF-8 boundary if it does not fit.
/// Returns whether it fitted.
bool rb_text_copy(char *target, size_t size, const char *source);

/// True when `text` is valid UTF-8 of 1 to `most` bytes with no control characters: what the
/// program accepts as the name of a tube, a line-up, an amplifier.
bool rb_text_is_name(const char *text, size_t most);

/// Reads one finite number that fills the whole of `text` (blanks around it allowed), with a point
/// as decimal sign whatever the locale. Returns whether it did.
bool rb_text_to_number(const char *text, double *number);

#endif
