// SPDX-License-Identifier: GPL-3.0-or-later
#include "page.h"

#include "rollbook/base/build_info.h"
#include "rollbook/report/page_part.h"
#include "rollbook/report/words.h"

#include <string.h>

// The shell up to the next mark, then what stands for it: the shell is a file of this program.
static const char *copy_to_mark(const char *shell, const char *mark, rb_text *out)
{
  const char *at = strstr(shell, mark);
  if (!at) {
    out->failed = true;
    return shell;
  }
  rb_text_add_bytes(out, shell, (size_t)(at - shell));
  return at + strlen(mark);
}

void page_finish(const char *title, const rb_text *body, rb_text *out)
{
  const char *shell = rb_page_part("page.html.in");
  const char *style = rb_page_part("page.css"), *plot_style = rb_page_part("plot.css");
  if (!shell || !style || !plot_style || body->failed) {
    out->failed = true;
    return;
  }
  shell = copy_to_mark(shell, "@TITLE@", out);
  rb_text_add_escaped(out, title);
  shell = copy_to_mark(shell, "@STYLE@", out);
  rb_text_add(out, style);
  rb_text_add(out, plot_style);
  shell = copy_to_mark(shell, "@BODY@", out);
  rb_text_add_bytes(out, body->bytes, body->length);
  rb_text_add(out, shell);
}

static void chart_figure(html_writer *page, const rb_chart *chart)
{
  html_open(page, "figure", "id", chart->slug, NULL);
  html_element(page, "figcaption", NULL, chart->title);
  html_open(page, "div", "class", "panels", NULL);
  for (size_t i = 0; i < chart->n_panels; i++)
    rb_plot_panel(chart, i, page->out);
  html_close(page);
  if (chart->note)
    html_element(page, "p", "reading-note", chart->note);
  html_close(page);
}

void page_charts(html_writer *page, const chart_set *set)
{
  // How tall they are printed: a report should fit on two sheets.
  const char *classes = set->n > 5   ? "pictures many"
                        : set->n > 3 ? "pictures some"
                                     : "pictures few";
  html_open(page, "div", "class", classes, NULL);
  for (size_t i = 0; i < set->n; i++)
    chart_figure(page, &set->charts[i]);
  html_close(page);
}

const char page_safety_words[] = "Tube amplifiers hold several hundred volts, for minutes after "
                                 "switching off too. Change tubes only with the "
                                 "amplifier off, unplugged and cold; keep a load connected; the "
                                 "chassis is for a qualified technician, and local "
                                 "codes and the maker's manual come first.";

const char page_invented_words[] = "Invented data: a simulated amplifier with invented tubes. No "
                                   "real amplifier or tube was measured.";

static size_t count_simulated(const rb_sitting *sittings, size_t n)
{
  size_t simulated = 0;
  for (size_t i = 0; i < n; i++)
    simulated += strncmp(sittings[i].bench.rig, "sim:", 4) == 0;
  return simulated;
}

bool page_is_simulated(const rb_sitting *sittings, size_t n)
{
  return count_simulated(sittings, n) > 0;
}

void page_invented(html_writer *page, const rb_sitting *sittings, size_t n)
{
  size_t simulated = count_simulated(sittings, n);
  if (!simulated)
    return;
  html_element(page, "p", "invented",
               simulated == n ? page_invented_words
                              : "Part of this is invented data from a simulated amplifier.");
}

void page_bench(html_writer *page, const rb_bench *bench)
{
  html_open(page, "p", NULL);
  html_printf(page, "Load: a resistor of %s on each channel. ",
              rb_figure_prose(bench->load_ohm, "ohm").text);
  if (bench->calibrated)
    html_printf(page,
                "Volts are calibrated against a meter to %s (one standard uncertainty, not "
                "part of any comparison). ",
                rb_figure_prose(bench->calibration_pct, "%").text);
  else
    html_text(page,
              "The bench was not calibrated: levels are relative to the recorder's full scale. ");
  html_printf(page, "Sampled at %s.", rb_figure_prose(bench->rate_hz, "Hz").text);
  html_close(page);
}

void page_safety(html_writer *page)
{
  html_element(page, "p", "safety",
               "Tube amplifiers hold several hundred volts, for minutes after switching off too. "
               "Change tubes only "
               "with the amplifier off, unplugged and cold; keep a load connected; the chassis is "
               "for a qualified "
               "technician, and local codes and the maker's manual come first.");
  html_open(page, "footer", NULL);
  html_printf(page, "Written by Rollbook %s.", rb_build()->version);
  html_close(page);
}
