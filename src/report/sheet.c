// SPDX-License-Identifier: GPL-3.0-or-later
#include "sheet.h"

#include "rollbook/plot/raster.h"
#include "rollbook/report/page_part.h"

#include <stdio.h>
#include <string.h>

// A4 (ISO 216: 210 mm × 297 mm) in points, and its margins.
static const double page_width = 595.3, page_height = 841.9, margin = 42;
enum { ROW_SIZE = 7 };

static rb_text *current(sheet *paper)
{
  return &paper->pages[paper->n - 1];
}

static void end_page(sheet *paper)
{
  rb_text *svg = current(paper);
  rb_text_printf(svg, "<text class=\"note\" font-size=\"7\" x=\"%.1f\" y=\"%.1f\">", margin,
                 page_height - margin + 18);
  rb_text_add_escaped(svg, paper->footer);
  rb_text_printf(svg, " · %zu</text>\n</g>\n</svg>\n", paper->n);
}

static void begin_page(sheet *paper)
{
  if (paper->n == SHEET_MOST_PAGES) {
    paper->full = true;
    paper->y = margin;
    return;
  }
  if (paper->n)
    end_page(paper);
  rb_text *svg = &paper->pages[paper->n++];
  paper->y = margin;
  rb_text_printf(
      svg,
      "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" width=\"%.1f\" height=\"%.1f\" "
      "viewBox=\"0 0 %.1f %.1f\">\n<style>%s</style>\n<g class=\"print sheet\">\n",
      page_width, page_height, page_width, page_height, rb_page_part("plot.css"));
}

void sheet_begin(sheet *paper, const char *footer)
{
  memset(paper, 0, sizeof *paper);
  paper->footer = footer;
  begin_page(paper);
}

static void make_room(sheet *paper, double height)
{
  if (paper->y + height > page_height - margin)
    begin_page(paper);
}

// One line of text, at most `n_bytes` of `text`.
static void text_line(sheet *paper, const char *classes, double size_pt, double x, bool to_end,
                      const char *text, size_t n_bytes)
{
  rb_text part = {0};
  rb_text_add_bytes(&part, text, n_bytes);
  rb_text *svg = current(paper);
  rb_text_printf(svg, "<text class=\"%s\" style=\"font-size:%.1fpx\"%s x=\"%.1f\" y=\"%.1f\">",
                 classes, size_pt, to_end ? " text-anchor=\"end\"" : "", x, paper->y);
  rb_text_add_escaped(svg, part.length ? part.bytes : "");
  rb_text_add(svg, "</text>\n");
  svg->failed = svg->failed || part.failed;
  rb_text_free(&part);
}

// How many bytes of `text` stand on a line of `most` characters, broken at a blank.
static size_t line_length(const char *text, size_t most)
{
  size_t n_characters = 0, last_blank = 0, i = 0;
  for (; text[i]; i++) {
    n_characters += ((unsigned char)text[i] & 0xC0) != 0x80;
    if (n_characters > most && last_blank)
      return last_blank;
    if (text[i] == ' ')
      last_blank = i;
  }
  return i;
}

void sheet_paragraph(sheet *paper, const char *classes, double size_pt, const char *text)
{
  size_t most = (size_t)((page_width - 2 * margin) / (0.53 * size_pt));
  while (*text) {
    size_t length = line_length(text, most);
    make_room(paper, 1.35 * size_pt);
    paper->y += 1.35 * size_pt;
    text_line(paper, classes, size_pt, margin, false, text, length);
    text += length;
    text += strspn(text, " ");
  }
  paper->y += 0.35 * size_pt;
}

// Width or height the chart's own picture says, in its root element.
static double root_number(const char *svg, const char *name)
{
  double number = 0;
  char mark[24];
  snprintf(mark, sizeof mark, " %s=\"", name);
  const char *at = strstr(svg, mark);
  return at && sscanf(at + strlen(mark), "%lf", &number) == 1 ? number : 0;
}

void sheet_chart(sheet *paper, const rb_chart *chart)
{
  rb_text picture = {0};
  rb_plot_svg(chart, &(rb_svg_use){.print = true}, &picture);
  double width = picture.failed ? 0 : root_number(picture.bytes, "width");
  if (!(width > 0)) {
    current(paper)->failed = true;
    rb_text_free(&picture);
    return;
  }
  double scale_factor = (page_width - 2 * margin) / width;
  double height = scale_factor * root_number(picture.bytes, "height");
  make_room(paper, height);
  rb_text *svg = current(paper);
  rb_text_printf(svg, "<g transform=\"translate(%.1f %.1f) scale(%.4f)\">\n", margin, paper->y,
                 scale_factor);
  rb_text_add(svg, picture.bytes);
  rb_text_add(svg, "</g>\n");
  paper->y += height;
  rb_text_free(&picture);
}

void sheet_row(sheet *paper, const char *classes, const sheet_column *columns,
               const char *const *cells, size_t n)
{
  make_room(paper, 1.5 * ROW_SIZE);
  paper->y += 1.5 * ROW_SIZE;
  for (size_t i = 0; i < n; i++)
    text_line(paper, classes, ROW_SIZE, margin + columns[i].at_share * (page_width - 2 * margin),
              columns[i].to_end, cells[i], strlen(cells[i]));
}

static rb_status draw(sheet *paper, const char *title, rb_text *pdf, rb_err *err)
{
  const char *svgs[SHEET_MOST_PAGES];
  if (paper->full)
    return rb_fail(err, RB_UNSUPPORTED, "The report is longer than %d pages; use CSV or HTML.",
                   SHEET_MOST_PAGES);
  for (size_t i = 0; i < paper->n; i++) {
    if (paper->pages[i].failed)
      return rb_fail(err, RB_NO_MEM, "Out of memory while drawing the report.");
    svgs[i] = paper->pages[i].bytes;
  }
  return rb_raster_pdf(svgs, paper->n, title, pdf, err);
}

rb_status sheet_finish(sheet *paper, const char *title, rb_text *pdf, rb_err *err)
{
  end_page(paper);
  rb_status status = draw(paper, title, pdf, err);
  for (size_t i = 0; i < paper->n; i++)
    rb_text_free(&paper->pages[i]);
  return status;
}
