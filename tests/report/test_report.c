// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/report/report.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char first[] = "<b>old</b>", second[] = "=new & \"improved\"";

typedef struct bench_book {
  char folder[64];
  rb_book *book;
} bench_book;

static void add_reading(rb_results *results, const char *key, rb_channel channel, double value)
{
  rb_reading reading = {
      .channel = channel, .value = value, .uncertainty = 0.01, .floor = -120, .resolved = true};
  rb_text_copy(reading.key, sizeof reading.key, key);
  rb_text_copy(reading.condition, sizeof reading.condition, "tone-1k 1 W");
  rb_text_copy(reading.unit, sizeof reading.unit, rb_reading_kind_find(key)->unit);
  assert_int_equal(rb_results_add(results, &reading), RB_OK);
}

static void add_pass(rb_book *book, const rb_lineup *lineup, int nth, double h2_db)
{
  static const double x[] = {20, 1000, 20000}, y[] = {-120, 0, -110};
  rb_arena *arena = rb_arena_new(0);
  rb_results results = rb_results_in(arena);
  for (int channel = 0; channel < 2; channel++) {
    add_reading(&results, "h2", (rb_channel)channel, h2_db + 0.01 * nth);
    add_reading(&results, "h3", (rb_channel)channel, -70 + 0.01 * nth);
    add_reading(&results, "h2_phase", (rb_channel)channel, 20);
    rb_curve curve = {.key = "spectrum",
                      .channel = (rb_channel)channel,
                      .condition = "tone-1k 1 W",
                      .x_unit = "Hz",
                      .y_unit = "dB",
                      .x = x,
                      .y = y,
                      .n = 3};
    assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  }
  rb_sitting sitting = {
      .lineup_id = lineup->id, .room_degc = (double)NAN, .bench = rb_bench_default()};
  snprintf(sitting.started_at, sizeof sitting.started_at, "2026-11-25T1%d:00:00Z", nth);
  sitting.powered_on_utc_s = 1795000000 + 3600 * nth;
  assert_int_equal(rb_book_add_sitting(book, &sitting, NULL), RB_OK);
  rb_pass pass = {.sitting_id = sitting.id, .settled = true, .since_power_on_s = 1800};
  rb_text_copy(pass.started_at, sizeof pass.started_at, sitting.started_at);
  rb_err err = {0};
  if (rb_book_add_pass(book, &pass, &results, NULL, 0, &err) != RB_OK)
    fail_msg("%s", err.message);
  rb_arena_free(arena);
}

static rb_lineup add_lineup(rb_book *book, const rb_amplifier *amplifier, const char *name,
                            const char *label)
{
  rb_tube tube = {.type = "6SN7"};
  rb_text_copy(tube.label, sizeof tube.label, label);
  assert_int_equal(rb_book_add_tube(book, &tube, NULL), RB_OK);
  rb_lineup lineup = {.amplifier = *amplifier, .n_fittings = 1};
  rb_text_copy(lineup.name, sizeof lineup.name, name);
  lineup.fittings[0] = (rb_fitting){.socket = "V2", .tube = tube};
  assert_int_equal(rb_book_add_lineup(book, &lineup, NULL), RB_OK);
  return lineup;
}

static int open_book(void **state)
{
  bench_book *b = calloc(1, sizeof *b);
  assert_non_null(b);
  strcpy(b->folder, "/tmp/rollbook-report-XXXXXX");
  assert_non_null(mkdtemp(b->folder));
  assert_int_equal(rb_book_open(b->folder, RB_BOOK_CREATE, &b->book, NULL), RB_OK);
  rb_amplifier amplifier = {.name = "Bench", .rated_power_w = 40, .n_sockets = 1};
  amplifier.sockets[0] = (rb_socket){"V2", RB_PHASE_INVERTER, RB_LEFT, "6SN7"};
  assert_int_equal(rb_book_add_amplifier(b->book, &amplifier, NULL), RB_OK);
  rb_lineup a = add_lineup(b->book, &amplifier, first, "T1 <i>");
  rb_lineup c = add_lineup(b->book, &amplifier, second, "T2");
  for (int i = 0; i < 6; i++)
    add_pass(b->book, i % 2 ? &c : &a, i, i % 2 ? -56 : -50);
  rb_tube spare = {.label = "spare", .type = "6SN7"};
  assert_int_equal(rb_book_add_tube(b->book, &spare, NULL), RB_OK);
  add_lineup(b->book, &amplifier, "unmeasured", "T3");
  *state = b;
  return 0;
}

static int close_book(void **state)
{
  bench_book *b = *state;
  char command[128];
  rb_book_close(b->book);
  snprintf(command, sizeof command, "rm -rf '%s'", b->folder);
  assert_int_equal(system(command), 0);
  free(b);
  return 0;
}

static const rb_report reports[] = {
    {.kind = RB_REPORT_SWAP, .name = first, .against = second},
    {.kind = RB_REPORT_LINEUP, .name = first},
    {.kind = RB_REPORT_TUBE, .name = "T1 <i>"},
};

static void each_report_becomes_a_page_with_names_as_text(void **state)
{
  bench_book *b = *state;
  for (size_t i = 0; i < RB_LEN(reports); i++) {
    rb_text page = {0};
    rb_err err = {0};
    if (rb_report_html(b->book, &reports[i], &page, &err) != RB_OK)
      fail_msg("%s", err.message);
    assert_memory_equal(page.bytes, "<!DOCTYPE html>", 15);
    assert_non_null(strstr(page.bytes, "&lt;b&gt;old&lt;/b&gt;"));
    assert_null(strstr(page.bytes, "<b>"));
    assert_null(strstr(page.bytes, "<i>"));
    assert_non_null(
        strstr(page.bytes, "Invented data")); // the bench of a new book is the simulated one
    assert_null(strstr(page.bytes, "@BODY@"));
    rb_text_free(&page);
  }
}

static void the_swap_page_tells_the_change_that_was_put_in(void **state)
{
  bench_book *b = *state;
  rb_text page = {0};
  assert_int_equal(rb_report_html(b->book, &reports[0], &page, NULL), RB_OK);
  assert_non_null(strstr(page.bytes, "The second harmonic fell by "));
  assert_non_null(strstr(page.bytes, "V2: T1 &lt;i&gt; out, T2 in"));
  rb_text_free(&page);
}

static void each_report_becomes_csv_and_pdf(void **state)
{
  bench_book *b = *state;
  for (size_t i = 0; i < RB_LEN(reports); i++) {
    rb_text csv = {0}, pdf = {0};
    rb_err err = {0};
    assert_int_equal(rb_report_csv(b->book, &reports[i], &csv, &err), RB_OK);
    assert_non_null(
        strstr(csv.bytes, "\"h2\",\"Second harmonic\",\"left\",\"tone-1k 1 W\",\"dB\","));
    if (rb_report_pdf(b->book, &reports[i], &pdf, &err) != RB_OK)
      fail_msg("%s", err.message);
    assert_memory_equal(pdf.bytes, "%PDF-", 5);
    rb_text_free(&csv);
    rb_text_free(&pdf);
  }
}

static void plots_are_given_as_files_in_each_format(void **state)
{
  bench_book *b = *state;
  const struct {
    rb_plot_format format;
    const char *start, *ending;
  } formats[] = {{RB_PLOT_SVG, "<svg", ".svg"},
                 {RB_PLOT_PNG, "\x89PNG", ".png"},
                 {RB_PLOT_PDF, "%PDF", ".pdf"}};
  rb_arena *arena = rb_arena_new(0);
  for (size_t i = 0; i < RB_LEN(formats); i++) {
    rb_plot_file *files = NULL;
    size_t n = 0;
    assert_int_equal(
        rb_report_plots(b->book, &reports[0], formats[i].format, arena, &files, &n, NULL), RB_OK);
    assert_int_equal(n, 3); // harmonics, dial, spectrum
    for (size_t k = 0; k < n; k++) {
      assert_memory_equal(files[k].bytes, formats[i].start, 4);
      assert_string_equal(strchr(files[k].name, '.'), formats[i].ending);
    }
  }
  rb_plot_file *files = NULL;
  size_t n = 9;
  assert_int_equal(rb_report_plots(b->book, &reports[2], RB_PLOT_SVG, arena, &files, &n, NULL),
                   RB_OK);
  assert_int_equal(n, 0); // a tube card has no pictures
  rb_arena_free(arena);
}

static void impressions_in_the_book_stand_on_the_swap_page(void **state)
{
  bench_book *b = *state;
  rb_lineup a, c;
  assert_int_equal(rb_book_lineup(b->book, first, &a, NULL), RB_OK);
  assert_int_equal(rb_book_lineup(b->book, second, &c, NULL), RB_OK);
  rb_impression impression = {
      .lineup_id = c.id, .against_id = a.id, .attribute = "midrange_clarity", .score = 2};
  rb_text_copy(impression.programme, sizeof impression.programme, "<u>Voice</u>");
  assert_int_equal(rb_book_add_impression(b->book, &impression, NULL), RB_OK);
  rb_text page = {0};
  assert_int_equal(rb_report_html(b->book, &reports[0], &page, NULL), RB_OK);
  assert_non_null(strstr(page.bytes, "Heard against measured"));
  assert_non_null(strstr(page.bytes, "clearly more distinct middle"));
  assert_non_null(strstr(page.bytes, "&lt;u&gt;Voice"));
  rb_text_free(&page);
}

static void what_is_not_there_is_named_in_the_error(void **state)
{
  bench_book *b = *state;
  const struct {
    rb_report report;
    const char *named;
  } cases[] = {
      {{.kind = RB_REPORT_SWAP, .name = first, .against = "nobody"}, "nobody"},
      {{.kind = RB_REPORT_LINEUP, .name = "nobody"}, "nobody"},
      {{.kind = RB_REPORT_LINEUP, .name = "unmeasured"}, "unmeasured"},
      {{.kind = RB_REPORT_TUBE, .name = "nobody"}, "nobody"},
      {{.kind = RB_REPORT_TUBE, .name = "spare"}, "spare"},
      {{.kind = RB_REPORT_TUBE, .name = "T3"}, "T3"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_text page = {0};
    rb_err err = {0};
    assert_int_equal(rb_report_html(b->book, &cases[i].report, &page, &err), RB_NOT_FOUND);
    assert_non_null(strstr(err.message, cases[i].named));
    rb_text_free(&page);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(each_report_becomes_a_page_with_names_as_text),
      cmocka_unit_test(the_swap_page_tells_the_change_that_was_put_in),
      cmocka_unit_test(each_report_becomes_csv_and_pdf),
      cmocka_unit_test(plots_are_given_as_files_in_each_format),
      cmocka_unit_test(impressions_in_the_book_stand_on_the_swap_page),
      cmocka_unit_test(what_is_not_there_is_named_in_the_error),
  };
  return cmocka_run_group_tests(tests, open_book, close_book);
}
