// SPDX-License-Identifier: GPL-3.0-or-later
// Small charts against golden files in tests/plot/golden. After a wanted change of looks, bless the
// new ones and look at them before committing:
//   RB_BLESS=1 ctest --test-dir build -R plot_test_chart
#include "near.h"

#include "rollbook/plot/chart.h"
#include "rollbook/plot/raster.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double hertz[] = {20, 200, 2000, 20000};
static const double first_db[] = {-3, 0, 0, -1}, second_db[] = {-2, 0.5, NAN, -1.2};
static const double low_db[] = {-3.5, -0.5, -0.5, -1.5}, high_db[] = {-2.5, 0.5, 0.5, -0.5};
static const bool resolved[] = {true, true, false, false};

static rb_panel curves_panel(rb_line lines[2], rb_rule *zero)
{
  lines[0] = (rb_line){.ink = RB_INK_A,
                       .x = hertz,
                       .y = first_db,
                       .n = 4,
                       .low = low_db,
                       .high = high_db,
                       .resolved = resolved,
                       .label = "A"};
  lines[1] = (rb_line){.ink = RB_INK_B, .x = hertz, .y = second_db, .n = 4, .label = "B"};
  *zero = (rb_rule){.at = 0, .label = "nothing"};
  return (rb_panel){.title = "Left channel",
                    .x = rb_axis_frequency(),
                    .y = rb_axis_around(-3, 3, 6, "Change (dB)"),
                    .lines = lines,
                    .n_lines = 2,
                    .rules = zero,
                    .n_rules = 1};
}

static rb_panel stems_panel(rb_stem stems[3], rb_floor *floors)
{
  static const char *const names[] = {"H2", "H3"};
  static const double at[] = {1, 2}, floor_db[] = {-118, -119};
  stems[0] = (rb_stem){
      .ink = RB_INK_A, .x = 1, .y = -50, .low = -55, .high = -45, .filled = true, .label = "A"};
  stems[1] = (rb_stem){.ink = RB_INK_B, .x = 2, .y = -66, .low = -66, .high = -66};
  stems[2] = (rb_stem){.ink = RB_INK_B, .x = 2.3, .y = -117, .bound = true};
  *floors = (rb_floor){.x = at, .y = floor_db, .n = 2, .half_width_x = 0.4};
  return (rb_panel){.title = "Right channel",
                    .x = {.kind = RB_AXIS_NAMED,
                          .low = 0.4,
                          .high = 2.6,
                          .title = "Harmonic",
                          .names = names,
                          .n_names = 2},
                    .y = rb_axis_around(-140, -40, 40, "Level (dB)"),
                    .stems = stems,
                    .n_stems = 3,
                    .floors = floors,
                    .n_floors = 1};
}

static rb_panel dial_panel(rb_point points[2])
{
  static const double rings[] = {0.1, 0.2};
  points[0] = (rb_point){.ink = RB_INK_A,
                         .x = 0.15,
                         .y = 0.05,
                         .radius_x = 0.02,
                         .radius_y = 0.01,
                         .turned_deg = 18,
                         .filled = true,
                         .label = "A"};
  points[1] = (rb_point){.ink = RB_INK_B, .x = -0.02, .y = 0.01, .label = "<B> & \"co\""};
  rb_axis plane = {.low = -0.2, .high = 0.2, .title = "In step (%)", .signs = true};
  return (rb_panel){.title = "Dial",
                    .x = plane,
                    .y = plane,
                    .points = points,
                    .n_points = 2,
                    .rings = rings,
                    .n_rings = 2};
}

typedef struct sample {
  rb_line lines[2];
  rb_rule rule;
  rb_stem stems[3];
  rb_floor floor;
  rb_point points[2];
  rb_panel panel;
  rb_chart chart;
} sample;

static const char *const slugs[] = {"curves", "stems", "dial"};

static void make(sample *s, const char *slug)
{
  if (strcmp(slug, "curves") == 0)
    s->panel = curves_panel(s->lines, &s->rule);
  else if (strcmp(slug, "stems") == 0)
    s->panel = stems_panel(s->stems, &s->floor);
  else
    s->panel = dial_panel(s->points);
  s->chart = (rb_chart){.title = "A <title> & a finding",
                        .description = "What is \"shown\".",
                        .note = "How to read it.",
                        .panels = &s->panel,
                        .n_panels = 1};
  rb_text_copy(s->chart.slug, sizeof s->chart.slug, slug);
}

static char *read_file(const char *path)
{
  FILE *file = fopen(path, "rb");
  if (!file)
    return NULL;
  char *bytes = calloc(1, 1 << 20);
  assert_non_null(bytes);
  assert_true(fread(bytes, 1, (1 << 20) - 1, file) > 0);
  fclose(file);
  return bytes;
}

static void charts_are_as_blessed(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(slugs); i++) {
    sample s = {0};
    rb_text svg = {0};
    char path[1024];
    make(&s, slugs[i]);
    rb_plot_svg(&s.chart, &(rb_svg_use){0}, &svg);
    assert_false(svg.failed);
    snprintf(path, sizeof path, "%s/tests/plot/golden/%s.svg", getenv("RB_SOURCE"), slugs[i]);
    if (getenv("RB_BLESS")) {
      FILE *file = fopen(path, "wb");
      assert_non_null(file);
      assert_int_equal(fwrite(svg.bytes, 1, svg.length, file), svg.length);
      assert_int_equal(fclose(file), 0);
    }
    char *golden = read_file(path);
    if (!golden || strcmp(golden, svg.bytes) != 0)
      fail_msg(
          "%s is not as blessed; if it should look so now: RB_BLESS=1 ctest -R plot_test_chart",
          path);
    free(golden);
    rb_text_free(&svg);
  }
}

static void names_with_markup_stay_text(void **state)
{
  (void)state;
  sample s = {0};
  rb_text svg = {0};
  make(&s, "dial");
  rb_plot_panel(&s.chart, 0, &svg);
  assert_null(strstr(svg.bytes, "<B>"));
  assert_non_null(strstr(svg.bytes, ">&lt;B&gt; &amp; &quot;co&quot;</text>"));
  assert_non_null(strstr(svg.bytes, "A &lt;title&gt; &amp; a finding"));
  rb_text_free(&svg);
}

static void a_gap_in_a_curve_is_not_bridged(void **state)
{
  (void)state;
  sample s = {0};
  rb_text svg = {0};
  make(&s, "curves");
  rb_plot_panel(&s.chart, 0, &svg);
  const char *path = strstr(svg.bytes, "<path class=\"line ink-b\" d=\"");
  assert_non_null(path);
  size_t moves = 0;
  for (const char *at = strstr(path, "d=\""); *at != '>'; at++)
    moves += *at == 'M';
  assert_int_equal(moves, 2);
  assert_null(strstr(svg.bytes, "nan"));
  rb_text_free(&svg);
}

static void of_far_more_points_than_pixels_the_peaks_stay(void **state)
{
  (void)state;
  enum { N = 100000 };
  double *x = malloc(N * sizeof *x), *y = malloc(N * sizeof *y);
  assert_true(x && y);
  for (size_t i = 0; i < N; i++) {
    x[i] = 20 + 0.1998 * (double)i;
    y[i] = i == 31234 ? 0 : -120;
  }
  rb_line line = {.x = x, .y = y, .n = N, .peaks = true};
  rb_panel panel = {.x = rb_axis_frequency(),
                    .y = rb_axis_around(-140, 0, 40, "y"),
                    .lines = &line,
                    .n_lines = 1};
  rb_chart chart = {.slug = "p", .title = "t", .description = "d", .panels = &panel, .n_panels = 1};
  rb_text svg = {0};
  rb_plot_panel(&chart, 0, &svg);
  assert_at_most((double)svg.length, 30000);
  assert_non_null(strstr(svg.bytes, " 32L")); // the peak, at the panel's upper edge
  rb_text_free(&svg);
  free(x);
  free(y);
}

static void a_picture_becomes_png_and_pdf_the_same_each_time(void **state)
{
  (void)state;
  sample s = {0};
  rb_text svg = {0}, png = {0}, pdf[2] = {{0}, {0}};
  rb_err err = {0};
  make(&s, "stems");
  rb_plot_svg(&s.chart, &(rb_svg_use){.print = true}, &svg);
  assert_int_equal(rb_raster_png(svg.bytes, 1, &png, &err), RB_OK);
  assert_memory_equal(png.bytes, "\x89PNG\r\n\x1a\n", 8);
  assert_memory_equal(png.bytes + 16, "\0\0\1\xC4", 4); // 420 and two margins of 16: 452 pixels
  for (int i = 0; i < 2; i++)
    assert_int_equal(
        rb_raster_pdf((const char *const[]){svg.bytes, svg.bytes}, 2, "t", &pdf[i], &err), RB_OK);
  assert_memory_equal(pdf[0].bytes, "%PDF-", 5);
  assert_int_equal(pdf[0].length, pdf[1].length);
  assert_memory_equal(pdf[0].bytes, pdf[1].bytes, pdf[0].length);
  rb_text_free(&svg);
  rb_text_free(&png);
  rb_text_free(&pdf[0]);
  rb_text_free(&pdf[1]);
}

static void what_is_no_picture_is_refused_with_words(void **state)
{
  (void)state;
  const char *const bad[] = {"", "not a picture", "<svg xmlns=\"http://www.w3.org/2000/svg\"/>",
                             "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"9\" height=\"9\">"};
  for (size_t i = 0; i < RB_LEN(bad); i++) {
    rb_text png = {0};
    rb_err err = {0};
    assert_int_equal(rb_raster_png(bad[i], 1, &png, &err), RB_FORMAT);
    assert_true(strlen(err.message) > 10);
    rb_text_free(&png);
  }
  rb_text png = {0};
  rb_err err = {0};
  assert_int_equal(
      rb_raster_png("<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"9\" height=\"9\"/>", 1e9,
                    &png, &err),
      RB_BAD_ARG);
  rb_text_free(&png);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(charts_are_as_blessed),
      cmocka_unit_test(names_with_markup_stay_text),
      cmocka_unit_test(a_gap_in_a_curve_is_not_bridged),
      cmocka_unit_test(of_far_more_points_than_pixels_the_peaks_stay),
      cmocka_unit_test(a_picture_becomes_png_and_pdf_the_same_each_time),
      cmocka_unit_test(what_is_no_picture_is_refused_with_words),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
