// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/plot/raster.h"

#include <cairo-pdf.h>
#include <cairo.h>
#include <librsvg/rsvg.h>
#include <math.h>
#include <string.h>

enum { MOST_PIXELS = 20000 };

static cairo_status_t keep_bytes(void *closure, const unsigned char *data, unsigned int length)
{
  rb_text *text = closure;
  rb_text_add_bytes(text, (const char *)data, length);
  return text->failed ? CAIRO_STATUS_NO_MEMORY : CAIRO_STATUS_SUCCESS;
}

static rb_status load(const char *svg, RsvgHandle **handle, rb_err *err)
{
  GError *error = NULL;
  *handle = rsvg_handle_new_from_data((const guint8 *)svg, strlen(svg), &error);
  if (*handle)
    return RB_OK;
  rb_fail(err, RB_FORMAT, "Reading the picture failed: %s", error ? error->message : "no SVG");
  g_clear_error(&error);
  return RB_FORMAT;
}

static rb_status size_of(RsvgHandle *handle, double *width, double *height, rb_err *err)
{
  if (!rsvg_handle_get_intrinsic_size_in_pixels(handle, width, height) || !(*width > 0) ||
      !(*height > 0))
    return rb_fail(err, RB_FORMAT, "The picture says no size (width and height in pixels).");
  return RB_OK;
}

static rb_status render(RsvgHandle *handle, cairo_t *cairo, double width, double height,
                        rb_err *err)
{
  GError *error = NULL;
  const RsvgRectangle viewport = {0, 0, width, height};
  if (rsvg_handle_render_document(handle, cairo, &viewport, &error))
    return RB_OK;
  rb_fail(err, RB_FORMAT, "Drawing the picture failed: %s", error ? error->message : "unknown");
  g_clear_error(&error);
  return RB_FORMAT;
}

static rb_status cairo_failed(cairo_status_t status, rb_err *err)
{
  if (status == CAIRO_STATUS_SUCCESS)
    return RB_OK;
  return rb_fail(err, status == CAIRO_STATUS_NO_MEMORY ? RB_NO_MEM : RB_IO,
                 "Drawing the picture failed: %s.", cairo_status_to_string(status));
}

static rb_status draw_png(RsvgHandle *handle, double scale_ratio, rb_text *png, rb_err *err)
{
  double width, height;
  RB_TRY(size_of(handle, &width, &height, err));
  width = ceil(width * scale_ratio);
  height = ceil(height * scale_ratio);
  if (!(width <= MOST_PIXELS && height <= MOST_PIXELS))
    return rb_fail(err, RB_BAD_ARG, "A picture of %.0f × %.0f pixels is too large.", width, height);
  cairo_surface_t *surface =
      cairo_image_surface_create(CAIRO_FORMAT_RGB24, (int)width, (int)height);
  cairo_t *cairo = cairo_create(surface);
  cairo_set_source_rgb(cairo, 1, 1, 1);
  cairo_paint(cairo);
  rb_status status = render(handle, cairo, width, height, err);
  if (status == RB_OK)
    status = cairo_failed(cairo_status(cairo), err);
  if (status == RB_OK)
    status = cairo_failed(cairo_surface_write_to_png_stream(surface, keep_bytes, png), err);
  cairo_destroy(cairo);
  cairo_surface_destroy(surface);
  return status;
}

rb_status rb_raster_png(const char *svg, double scale_ratio, rb_text *png, rb_err *err)
{
  RsvgHandle *handle = NULL;
  RB_TRY(load(svg, &handle, err));
  rb_status status = draw_png(handle, scale_ratio, png, err);
  g_object_unref(handle);
  return status;
}

static rb_status draw_page(cairo_surface_t *surface, cairo_t *cairo, const char *svg, rb_err *err)
{
  RsvgHandle *handle = NULL;
  RB_TRY(load(svg, &handle, err));
  double width, height;
  rb_status status = size_of(handle, &width, &height, err);
  if (status == RB_OK) {
    cairo_pdf_surface_set_size(surface, width, height);
    status = render(handle, cairo, width, height, err);
    cairo_show_page(cairo);
  }
  g_object_unref(handle);
  return status;
}

rb_status rb_raster_pdf(const char *const *svgs, size_t n, const char *title, rb_text *pdf,
                        rb_err *err)
{
  cairo_surface_t *surface = cairo_pdf_surface_create_for_stream(keep_bytes, pdf, 100, 100);
  cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, title);
  // Without this the clock would get into the bytes.
  cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, "2000-01-01T00:00:00Z");
  cairo_t *cairo = cairo_create(surface);
  rb_status status = cairo_failed(cairo_status(cairo), err);
  for (size_t i = 0; i < n && status == RB_OK; i++)
    status = draw_page(surface, cairo, svgs[i], err);
  cairo_destroy(cairo);
  cairo_surface_finish(surface);
  if (status == RB_OK)
    status = cairo_failed(cairo_surface_status(surface), err);
  cairo_surface_destroy(surface);
  return status;
}
