// SPDX-License-Identifier: GPL-3.0-or-later
#include "canvas.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void svg_coordinate(rb_text *svg, double value)
{
  double tenths = round(value * 10);
  if (fmod(tenths, 10) == 0)
    rb_text_printf(svg, "%.0f", tenths / 10 + 0.0);
  else
    rb_text_printf(svg, "%.1f", tenths / 10);
}

static void attribute(rb_text *svg, const char *name, double value)
{
  rb_text_printf(svg, " %s=\"", name);
  svg_coordinate(svg, value);
  rb_text_add(svg, "\"");
}

void svg_line(rb_text *svg, const char *classes, double x1, double y1, double x2, double y2)
{
  rb_text_printf(svg, "<line class=\"%s\"", classes);
  attribute(svg, "x1", x1);
  attribute(svg, "y1", y1);
  attribute(svg, "x2", x2);
  attribute(svg, "y2", y2);
  rb_text_add(svg, "/>\n");
}

void svg_circle(rb_text *svg, const char *classes, double x, double y, double radius)
{
  rb_text_printf(svg, "<circle class=\"%s\"", classes);
  attribute(svg, "cx", x);
  attribute(svg, "cy", y);
  attribute(svg, "r", radius);
  rb_text_add(svg, "/>\n");
}

void svg_text(rb_text *svg, const char *classes, const char *anchor, double x, double y,
              const char *text)
{
  rb_text_printf(svg, "<text class=\"%s\" text-anchor=\"%s\"", classes, anchor);
  attribute(svg, "x", x);
  attribute(svg, "y", y);
  rb_text_add(svg, ">");
  rb_text_add_escaped(svg, text);
  rb_text_add(svg, "</text>\n");
}

// Characters, not bytes.
static size_t characters(const char *text)
{
  size_t n = 0;
  for (; *text; text++)
    n += ((unsigned char)*text & 0xC0) != 0x80;
  return n;
}

double svg_text_width(const char *text, double size)
{
  return 0.58 * size * (double)characters(text);
}

double svg_paragraph(rb_text *svg, const char *classes, double x, double y, double width,
                     double size, const char *text)
{
  char line[512] = "";
  for (const char *at = text; *at;) {
    size_t length = strcspn(at, " \n");
    char tried[sizeof line];
    snprintf(tried, sizeof tried, "%s%s%.*s", line, line[0] ? " " : "", (int)length, at);
    if (line[0] && svg_text_width(tried, size) > width) {
      svg_text(svg, classes, "start", x, y, line);
      y += 1.35 * size;
      snprintf(line, sizeof line, "%.*s", (int)length, at);
    } else
      memcpy(line, tried, sizeof line);
    at += length;
    at += strspn(at, " \n");
  }
  svg_text(svg, classes, "start", x, y, line);
  return y;
}
