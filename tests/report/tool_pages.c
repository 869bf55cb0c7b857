// SPDX-License-Identifier: GPL-3.0-or-later
// Writes the pages of an invented swap into a folder, to be looked at and to be checked by
// test_pages.py: tool_pages FOLDER
#include "synthetic_swap.h"

#include "../../src/report/csv.h"
#include "../../src/report/page.h"
#include "../../src/report/paper.h"

#include "rollbook/plot/chart.h"
#include "rollbook/plot/raster.h"
#include "rollbook/report/page_part.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void write_file(const char *folder, const char *name, const rb_text *text)
{
  char path[1024];
  snprintf(path, sizeof path, "%s/%s", folder, name);
  FILE *file = fopen(path, "wb");
  if (!file || fwrite(text->bytes, 1, text->length, file) != text->length || fclose(file)) {
    perror(path);
    exit(1);
  }
}

static void must(rb_status status, const char *what)
{
  if (status == RB_OK)
    return;
  fprintf(stderr, "%s: %s\n", what, rb_status_text(status));
  exit(1);
}

static void write_swap(const char *folder, const char *name, const synthetic_options *options,
                       bool heard)
{
  rb_arena *arena = rb_arena_new(0);
  synthetic_swap *swap = calloc(1, sizeof *swap);
  synthetic_swap_make(options, arena, swap);
  swap_page page = {.comparison = &swap->comparison,
                    .table = &swap->table,
                    .sittings = swap->sittings,
                    .n_sittings = swap->comparison.n_order};
  rb_heard *verdicts = NULL;
  if (heard) {
    must(rb_judge_heard(&swap->comparison, swap->impressions, 3, arena, &verdicts), "heard");
    page.heard = verdicts;
    page.n_heard = 3;
  }
  rb_text html = {0}, pdf = {0}, csv = {0};
  char other[64];
  must(page_swap(&page, arena, &html), name);
  write_file(folder, name, &html);
  must(paper_swap(&page, arena, &pdf, NULL), name);
  snprintf(other, sizeof other, "%s.pdf", name);
  write_file(folder, other, &pdf);
  csv_effects(&csv, &swap->comparison);
  snprintf(other, sizeof other, "%s.csv", name);
  write_file(folder, other, &csv);
  rb_text_free(&pdf);
  rb_text_free(&csv);
  rb_text_free(&html);
  free(swap);
  rb_arena_free(arena);
}

static void write_others(const char *folder)
{
  rb_arena *arena = rb_arena_new(0);
  synthetic_swap *swap = calloc(1, sizeof *swap);
  synthetic_swap_make(&(synthetic_options){.lineup_a = "before", .lineup_b = "after"}, arena, swap);
  lineup_page page = {.lineup = &swap->comparison.lineup_a,
                      .table = &swap->table,
                      .results = &swap->results,
                      .sittings = swap->sittings,
                      .n_sittings = 1};
  rb_text html = {0}, card = {0}, pdf = {0};
  must(page_lineup(&page, arena, &html), "lineup.html");
  write_file(folder, "lineup.html", &html);
  tube_stay stay = {.page = page, .socket = "V3"};
  tube_page tube = {
      .tube = &swap->comparison.lineup_a.fittings[1].tube, .stays = &stay, .n_stays = 1};
  must(page_tube(&tube, arena, &card), "tube.html");
  write_file(folder, "tube.html", &card);
  must(paper_lineup(&page, arena, &pdf, NULL), "lineup.pdf");
  write_file(folder, "lineup.pdf", &pdf);
  rb_text_free(&html);
  rb_text_free(&card);
  rb_text_free(&pdf);
  free(swap);
  rb_arena_free(arena);
}

static void write_plots(const char *folder)
{
  rb_arena *arena = rb_arena_new(0);
  synthetic_swap *swap = calloc(1, sizeof *swap);
  chart_set *charts;
  synthetic_options options = {.lineup_a = "before", .lineup_b = "after"};
  synthetic_swap_make(&options, arena, swap);
  swap_page page = {.comparison = &swap->comparison, .table = &swap->table};
  shown values;
  must(shown_from_swap(&page, arena, &values), "values");
  must(charts_of(&values, arena, &charts), "charts");
  for (size_t i = 0; i < charts->n; i++) {
    rb_text svg = {0}, png = {0};
    char name[64];
    rb_plot_svg(&charts->charts[i], &(rb_svg_use){.style = rb_page_part("plot.css")}, &svg);
    snprintf(name, sizeof name, "%s.svg", charts->charts[i].slug);
    write_file(folder, name, &svg);
    rb_err err = {0};
    if (rb_raster_png(svg.bytes, 2, &png, &err) != RB_OK) {
      fprintf(stderr, "%s\n", err.message);
      exit(1);
    }
    snprintf(name, sizeof name, "%s.png", charts->charts[i].slug);
    write_file(folder, name, &png);
    rb_text_free(&svg);
    rb_text_free(&png);
  }
  free(swap);
  rb_arena_free(arena);
}

int main(int argc, char **argv)
{
  if (argc != 2) {
    fprintf(stderr, "usage: tool_pages FOLDER\n");
    return 2;
  }
  const char *hostile = "<script>alert(1)</script> & \"quotes\"";
  write_swap(argv[1], "swap.html", &(synthetic_options){.lineup_a = "before", .lineup_b = "after"},
             true);
  write_swap(
      argv[1], "nothing.html",
      &(synthetic_options){.lineup_a = "before", .lineup_b = "after", .nothing_changed = true},
      false);
  write_swap(
      argv[1], "one-sitting.html",
      &(synthetic_options){
          .lineup_a = "before", .lineup_b = "after", .one_sitting = true, .real_bench = true},
      false);
  write_swap(argv[1], "hostile.html",
             &(synthetic_options){.lineup_a = hostile, .lineup_b = "<img src=x onerror=alert(2)>"},
             true);
  write_others(argv[1]);
  write_plots(argv[1]);
  return 0;
}
