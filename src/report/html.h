// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_HTML_H
#define ROLLBOOK_SRC_REPORT_HTML_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/text.h"

#include <stddef.h>

// Writes HTML. All text is escaped; only html_own takes markup, and it is for texts of this
// program's own source and pictures it drew.

enum { HTML_DEEPEST = 32 };

typedef struct html_writer {
  rb_text *out;
  const char *open[HTML_DEEPEST]; // Names of elements not closed yet.
  size_t depth;
} html_writer;

// Opens an element; `attributes` are pairs of name and value, ended by NULL ("class", "x", NULL).
void html_open(html_writer *page, const char *tag, ...) __attribute__((sentinel));
void html_close(html_writer *page);

void html_text(html_writer *page, const char *text);
void html_printf(html_writer *page, const char *format, ...)
    RB_PRINTF(2, 3); // The result is escaped.

// A whole element with text in it; `classes` may be NULL.
void html_element(html_writer *page, const char *tag, const char *classes, const char *text);

void html_own(html_writer *page, const char *markup);

#endif
