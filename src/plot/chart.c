// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/plot/chart.h"

#include "canvas.h"
#include "panel.h"

#include <math.h>
#include <stdio.h>

enum { MARGIN = 16, GAP = 12, TITLE_SIZE = 17, NOTE_SIZE = 12 };

static void begin_svg(rb_text *svg, const char *attributes, double width, double height,
                      const char *id)
{
  rb_text_printf(svg,
                 "<svg xmlns=\"http://www.w3.org/2000/svg\"%s class=\"plot\" "
                 "viewBox=\"0 0 %.0f %.0f\" role=\"img\" "
                 "aria-labelledby=\"%s-title %s-desc\">\n",
                 attributes, width, height, id, id);
}

static void describe(rb_text *svg, const char *id, const char *title, const char *panel_title,
                     const char *description)
{
  rb_text_printf(svg, "<title id=\"%s-title\">", id);
  rb_text_add_escaped(svg, title);
  if (panel_title) {
    rb_text_add(svg, " – ");
    rb_text_add_escaped(svg, panel_title);
  }
  rb_text_printf(svg, "</title>\n<desc id=\"%s-desc\">", id);
  rb_text_add_escaped(svg, description);
  rb_text_add(svg, "</desc>\n");
}

void rb_plot_panel(const rb_chart *chart, size_t index, rb_text *svg)
{
  const rb_panel *panel = &chart->panels[index];
  char id[64];
  snprintf(id, sizeof id, "%s-%zu", chart->slug, index + 1);
  begin_svg(svg, "", PANEL_WIDTH, panel_height(panel), id);
  describe(svg, id, chart->title, panel->title, chart->description);
  panel_draw(panel, id, svg);
  rb_text_add(svg, "</svg>\n");
}

static double tallest(const rb_chart *chart)
{
  double height = 0;
  for (size_t i = 0; i < chart->n_panels; i++)
    height = fmax(height, panel_height(&chart->panels[i]));
  return height;
}

static void draw_panels(const rb_chart *chart, double y, rb_text *svg)
{
  for (size_t i = 0; i < chart->n_panels; i++) {
    char id[64];
    snprintf(id, sizeof id, "%s-%zu", chart->slug, i + 1);
    double x = MARGIN + (double)i * (PANEL_WIDTH + GAP);
    rb_text_printf(svg, "<g transform=\"translate(%.0f %.0f)\">\n", x, y);
    panel_draw(&chart->panels[i], id, svg);
    rb_text_add(svg, "</g>\n");
  }
}

void rb_plot_svg(const rb_chart *chart, const rb_svg_use *use, rb_text *svg)
{
  double width = 2.0 * MARGIN + (double)chart->n_panels * (PANEL_WIDTH + GAP) - GAP;
  rb_text body = {0};
  double text_width = width - 2.0 * MARGIN;
  double y = svg_paragraph(&body, "finding", MARGIN, MARGIN + TITLE_SIZE, text_width, TITLE_SIZE,
                           chart->title);
  draw_panels(chart, y + 8, &body);
  y += 8 + tallest(chart);
  if (chart->note)
    y = svg_paragraph(&body, "note", MARGIN, y + 14, text_width, NOTE_SIZE, chart->note);
  double height = ceil(y + MARGIN);

  char size[64];
  snprintf(size, sizeof size, " width=\"%.0f\" height=\"%.0f\"", width, height);
  begin_svg(svg, size, width, height, chart->slug);
  describe(svg, chart->slug, chart->title, NULL, chart->description);
  if (use->style)
    rb_text_printf(svg, "<style>%s</style>\n", use->style);
  rb_text_printf(svg, "<rect class=\"paper\" width=\"%.0f\" height=\"%.0f\"/>\n", width, height);
  rb_text_printf(svg, "<g%s>\n", use->print ? " class=\"print\"" : "");
  rb_text_add(svg, body.length ? body.bytes : "");
  rb_text_add(svg, "</g>\n</svg>\n");
  svg->failed = svg->failed || body.failed;
  rb_text_free(&body);
}
