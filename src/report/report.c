// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/report/report.h"

#include "csv.h"
#include "in_short.h"
#include "load.h"
#include "paper.h"

#include "rollbook/plot/raster.h"
#include "rollbook/report/page_part.h"

#include <stdio.h>
#include <stdlib.h>

static rb_status no_memory(rb_err *err)
{
  return rb_fail(err, RB_NO_MEM, "Out of memory while writing the report.");
}

// ---- HTML

static rb_status swap_html(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *out,
                           rb_err *err)
{
  swap_page page;
  RB_TRY(load_swap(book, report, arena, &page, err));
  return page_swap(&page, arena, out) == RB_OK ? RB_OK : no_memory(err);
}

static rb_status lineup_html(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *out,
                             rb_err *err)
{
  lineup_page page;
  RB_TRY(load_lineup(book, report->name, true, arena, &page, err));
  return page_lineup(&page, arena, out) == RB_OK ? RB_OK : no_memory(err);
}

static rb_status tube_html(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *out,
                           rb_err *err)
{
  tube_page page;
  RB_TRY(load_tube(book, report->name, arena, &page, err));
  return page_tube(&page, arena, out) == RB_OK ? RB_OK : no_memory(err);
}

// ---- CSV

static rb_status swap_csv(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *csv,
                          rb_err *err)
{
  swap_page page;
  RB_TRY(load_swap(book, report, arena, &page, err));
  csv_effects(csv, page.comparison);
  return RB_OK;
}

static rb_status swap_in_short(rb_book *book, const rb_report *report, rb_arena *arena,
                               rb_text *lines, rb_err *err)
{
  swap_page page;
  shown values;
  in_short said;
  RB_TRY(load_swap(book, report, arena, &page, err));
  if (shown_from_swap(&page, arena, &values) != RB_OK)
    return no_memory(err);
  in_short_of(&values, page.comparison, &said);
  for (size_t i = 0; i < said.n; i++)
    rb_text_printf(lines, "%s\n", said.sentences[i]);
  return RB_OK;
}

static rb_status pass_names(const lineup_page *page, rb_arena *arena, const char *const **names,
                            rb_err *err)
{
  const char **list = rb_arena_alloc(arena, page->table->n_passes + 1, sizeof *list);
  if (!list)
    return no_memory(err);
  for (size_t i = 0; i < page->table->n_passes; i++)
    list[i] = page->lineup->name;
  *names = list;
  return RB_OK;
}

static rb_status lineup_csv(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *csv,
                            rb_err *err)
{
  lineup_page page;
  const char *const *names = NULL;
  RB_TRY(load_lineup(book, report->name, false, arena, &page, err));
  RB_TRY(pass_names(&page, arena, &names, err));
  csv_passes_head(csv);
  csv_passes(csv, page.table, names);
  return RB_OK;
}

static rb_status tube_csv(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *csv,
                          rb_err *err)
{
  tube_page page;
  RB_TRY(load_tube(book, report->name, arena, &page, err));
  csv_passes_head(csv);
  for (size_t i = 0; i < page.n_stays; i++) {
    const char *const *names = NULL;
    RB_TRY(pass_names(&page.stays[i].page, arena, &names, err));
    csv_passes(csv, page.stays[i].page.table, names);
  }
  return RB_OK;
}

// ---- PDF

static rb_status swap_pdf(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *pdf,
                          rb_err *err)
{
  swap_page page;
  RB_TRY(load_swap(book, report, arena, &page, err));
  return paper_swap(&page, arena, pdf, err);
}

static rb_status lineup_pdf(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *pdf,
                            rb_err *err)
{
  lineup_page page;
  RB_TRY(load_lineup(book, report->name, true, arena, &page, err));
  return paper_lineup(&page, arena, pdf, err);
}

static rb_status tube_pdf(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *pdf,
                          rb_err *err)
{
  tube_page page;
  RB_TRY(load_tube(book, report->name, arena, &page, err));
  return paper_tube(&page, arena, pdf, err);
}

// ---- plots

static rb_status swap_values(rb_book *book, const rb_report *report, rb_arena *arena, shown *values,
                             rb_err *err)
{
  swap_page page;
  RB_TRY(load_swap(book, report, arena, &page, err));
  return shown_from_swap(&page, arena, values) == RB_OK ? RB_OK : no_memory(err);
}

static rb_status lineup_values(rb_book *book, const rb_report *report, rb_arena *arena,
                               shown *values, rb_err *err)
{
  lineup_page page;
  RB_TRY(load_lineup(book, report->name, true, arena, &page, err));
  rb_status status = shown_from_table(page.lineup, page.table, page.results, arena, values);
  return status == RB_OK ? RB_OK : no_memory(err);
}

static rb_status no_values(rb_book *book, const rb_report *report, rb_arena *arena, shown *values,
                           rb_err *err)
{
  tube_page page;
  *values = (shown){.n_sides = 1};
  return load_tube(book, report->name, arena, &page, err);
}

// What each kind of report can be written as.
typedef rb_status writer(rb_book *book, const rb_report *report, rb_arena *arena, rb_text *out,
                         rb_err *err);
static const struct {
  writer *html, *pdf, *csv;
  rb_status (*values)(rb_book *book, const rb_report *report, rb_arena *arena, shown *values,
                      rb_err *err);
} kinds[] = {
    [RB_REPORT_SWAP] = {swap_html, swap_pdf, swap_csv, swap_values},
    [RB_REPORT_LINEUP] = {lineup_html, lineup_pdf, lineup_csv, lineup_values},
    [RB_REPORT_TUBE] = {tube_html, tube_pdf, tube_csv, no_values},
};

static rb_status write_with(writer *write, rb_book *book, const rb_report *report, rb_text *out,
                            rb_err *err)
{
  rb_arena *arena = rb_arena_new(0);
  if (!arena)
    return no_memory(err);
  rb_status status = write(book, report, arena, out, err);
  rb_arena_free(arena);
  return status == RB_OK && out->failed ? no_memory(err) : status;
}

rb_status rb_report_html(rb_book *book, const rb_report *report, rb_text *out, rb_err *err)
{
  return write_with(kinds[report->kind].html, book, report, out, err);
}

rb_status rb_report_in_short(rb_book *book, const rb_report *report, rb_text *lines, rb_err *err)
{
  if (report->kind != RB_REPORT_SWAP)
    return rb_fail(err, RB_UNSUPPORTED, "Only a swap has sentences in short.");
  return write_with(swap_in_short, book, report, lines, err);
}

rb_status rb_report_pdf(rb_book *book, const rb_report *report, rb_text *pdf, rb_err *err)
{
  return write_with(kinds[report->kind].pdf, book, report, pdf, err);
}

rb_status rb_report_csv(rb_book *book, const rb_report *report, rb_text *csv, rb_err *err)
{
  return write_with(kinds[report->kind].csv, book, report, csv, err);
}

static rb_status draw_chart(const rb_chart *chart, rb_plot_format format, rb_text *bytes,
                            rb_err *err)
{
  rb_text svg = {0};
  rb_svg_use use = {.style = rb_page_part("plot.css"), .print = format != RB_PLOT_SVG};
  rb_plot_svg(chart, &use, &svg);
  rb_status status = svg.failed ? no_memory(err) : RB_OK;
  if (status == RB_OK && format == RB_PLOT_PNG)
    status = rb_raster_png(svg.bytes, 2, bytes, err);
  else if (status == RB_OK && format == RB_PLOT_PDF)
    status = rb_raster_pdf((const char *const[]){svg.bytes}, 1, chart->title, bytes, err);
  else if (status == RB_OK)
    rb_text_add_bytes(bytes, svg.bytes, svg.length);
  rb_text_free(&svg);
  return status == RB_OK && bytes->failed ? no_memory(err) : status;
}

static rb_status keep_file(const rb_chart *chart, rb_plot_format format, rb_arena *arena,
                           rb_plot_file *file, rb_err *err)
{
  static const char *const endings[] = {"svg", "png", "pdf"};
  rb_text bytes = {0};
  rb_status status = draw_chart(chart, format, &bytes, err);
  char *kept = status == RB_OK ? rb_arena_alloc(arena, bytes.length + 1, 1) : NULL;
  if (kept) {
    snprintf(file->name, sizeof file->name, "%s.%s", chart->slug, endings[format]);
    for (size_t i = 0; i < bytes.length; i++)
      kept[i] = bytes.bytes[i];
    file->bytes = kept;
    file->n_bytes = bytes.length;
  }
  rb_text_free(&bytes);
  return status != RB_OK ? status : kept ? RB_OK : no_memory(err);
}

rb_status rb_report_plots(rb_book *book, const rb_report *report, rb_plot_format format,
                          rb_arena *arena, rb_plot_file **files, size_t *n, rb_err *err)
{
  shown values;
  *n = 0;
  RB_TRY(kinds[report->kind].values(book, report, arena, &values, err));
  chart_set *charts;
  *files = rb_arena_alloc(arena, MOST_CHARTS, sizeof **files);
  if (!*files || charts_of(&values, arena, &charts) != RB_OK)
    return no_memory(err);
  for (; *n < charts->n; (*n)++)
    RB_TRY(keep_file(&charts->charts[*n], format, arena, &(*files)[*n], err));
  return RB_OK;
}
