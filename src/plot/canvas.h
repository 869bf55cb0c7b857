// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_PLOT_CANVAS_H
#define ROLLBOOK_SRC_PLOT_CANVAS_H

#include "rollbook/base/text.h"

#include <stddef.h>

// The few SVG elements the drawings are made of. Coordinates are written with a tenth of a unit;
// texts are escaped; looks come from classes alone.

void svg_coordinate(rb_text *svg, double value);
void svg_line(rb_text *svg, const char *classes, double x1, double y1, double x2, double y2);
void svg_circle(rb_text *svg, const char *classes, double x, double y, double radius);

// `anchor`: "start", "middle" or "end".
void svg_text(rb_text *svg, const char *classes, const char *anchor, double x, double y,
              const char *text);

// A text set on lines of at most `width`; returns the y of the last line.
double svg_paragraph(rb_text *svg, const char *classes, double x, double y, double width,
                     double size, const char *text);

// About how wide a text in a sans-serif face is, an upper estimate for most.
double svg_text_width(const char *text, double size);

#endif
