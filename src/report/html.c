// SPDX-License-Identifier: GPL-3.0-or-later
#include "html.h"

#include <assert.h>
#include <stdarg.h>
#include <stdio.h>

void html_open(html_writer *page, const char *tag, ...)
{
  assert(page->depth < HTML_DEEPEST);
  page->open[page->depth++] = tag;
  rb_text_printf(page->out, "<%s", tag);
  va_list attributes;
  va_start(attributes, tag);
  for (const char *name; (name = va_arg(attributes, const char *)) != NULL;) {
    const char *value = va_arg(attributes, const char *);
    rb_text_printf(page->out, " %s=\"", name);
    rb_text_add_escaped(page->out, value);
    rb_text_add(page->out, "\"");
  }
  va_end(attributes);
  rb_text_add(page->out, ">");
}

void html_close(html_writer *page)
{
  assert(page->depth > 0);
  rb_text_printf(page->out, "</%s>", page->open[--page->depth]);
  // A line an element keeps the file readable; a newline after these changes nothing that is seen.
  rb_text_add(page->out, "\n");
}

void html_text(html_writer *page, const char *text)
{
  rb_text_add_escaped(page->out, text);
}

void html_printf(html_writer *page, const char *format, ...)
{
  char text[1024];
  va_list values;
  va_start(values, format);
  int length = vsnprintf(text, sizeof text, format, values);
  va_end(values);
  assert(length >= 0 && (size_t)length < sizeof text);
  html_text(page, text);
}

void html_element(html_writer *page, const char *tag, const char *classes, const char *text)
{
  if (classes)
    html_open(page, tag, "class", classes, NULL);
  else
    html_open(page, tag, NULL);
  html_text(page, text);
  html_close(page);
}

void html_own(html_writer *page, const char *markup)
{
  rb_text_add(page->out, markup);
}
