// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PLOT_RASTER_H
#define ROLLBOOK_PLOT_RASTER_H

#include "rollbook/base/error.h"
#include "rollbook/base/text.h"

#include <stddef.h>

/// Draws an SVG file's text as PNG, `scale_ratio` pixels a user unit on white; appends the bytes.
RB_NODISCARD rb_status rb_raster_png(const char *svg, double scale_ratio, rb_text *png,
                                     rb_err *err);

/// Draws SVG files as pages of one PDF, one user unit a point (1/72 inch), each page as large as
/// its picture; appends the bytes. `title` goes into the document's properties. The same pictures
/// give the same bytes.
RB_NODISCARD rb_status rb_raster_pdf(const char *const *svgs, size_t n, const char *title,
                                     rb_text *pdf, rb_err *err);

#endif
