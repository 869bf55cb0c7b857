// SPDX-License-Identifier: GPL-3.0-or-later
#include "page.h"

#include "tables.h"

#include "rollbook/report/words.h"

#include <stdio.h>
#include <string.h>

static void tube_cell(html_writer *page, const rb_fitting *fitting)
{
  html_open(page, "td", NULL);
  if (!fitting)
    html_text(page, "not entered");
  else {
    html_printf(page, "%s (%s)", fitting->tube.label, fitting->tube.type);
    if (fitting->bias_ma > 0)
      html_printf(page, ", %s at the cathode", rb_figure_prose(fitting->bias_ma, "mA").text);
  }
  html_close(page);
}

static void write_fittings(html_writer *page, const rb_lineup *lineup)
{
  static const char *const heads[] = {"Socket", "What it does", "Tube"};
  html_open(page, "div", "class", "scroll", NULL);
  html_open(page, "table", NULL);
  html_open(page, "thead", NULL);
  html_open(page, "tr", NULL);
  for (size_t i = 0; i < RB_LEN(heads); i++)
    html_element(page, "th", NULL, heads[i]);
  html_close(page);
  html_close(page);
  html_open(page, "tbody", NULL);
  for (size_t i = 0; i < lineup->amplifier.n_sockets; i++) {
    const rb_socket *socket = &lineup->amplifier.sockets[i];
    html_open(page, "tr", NULL);
    html_open(page, "th", "scope", "row", "class", "socket", NULL);
    html_text(page, socket->name);
    html_close(page);
    html_open(page, "td", NULL);
    html_printf(page, "%s, %s", rb_role_name(socket->role),
                socket->channel == RB_BOTH ? "both channels" : rb_channel_name(socket->channel));
    html_close(page);
    tube_cell(page, rb_lineup_fitting(lineup, socket->name));
    html_close(page);
  }
  html_close(page);
  html_close(page);
  html_close(page);
}

// What a reader asks first, in order; the sentence is "<subject> is <left> left, <right> right."
static const struct question {
  const char *key, *subject;
  bool main_condition;
} questions[] = {
    {"thd", "Total harmonic distortion", true},
    {"h2", "The second harmonic, against the tone,", true},
    {"h3", "The third harmonic, against the tone,", true},
    {"noise_a", "Noise as the ear weighs it", false},
    {"noise", "Noise", true},
    {"output_impedance", "Output impedance", false},
    {"power_1pct", "Power at 1 % distortion", false},
};
enum { MOST_ANSWERS = 5 };

static rb_figure value_words(const shown_row *row)
{
  const shown_value *value = &row->sides[0];
  if (!value->resolved)
    return rb_figure_below(value->value, row->quantity.unit);
  return rb_figure_rounded(value->value, value->expanded, row->quantity.unit);
}

static bool write_answer(html_writer *page, const shown *data, const struct question *question)
{
  const char *condition = question->main_condition ? shown_main_condition(data) : NULL;
  const shown_row *left = shown_find(data, question->key, RB_LEFT, condition);
  const shown_row *right = shown_find(data, question->key, RB_RIGHT, condition);
  if (!left && !right)
    return false;
  const shown_row *first = left ? left : right;
  html_open(page, "li", NULL);
  html_printf(page, "%s is %s", question->subject, value_words(first).text);
  if (left && right)
    html_printf(page, " left and %s right", value_words(right).text);
  html_printf(page, " (%s).", rb_condition_words(first->quantity.condition).text);
  html_close(page);
  return true;
}

static void write_short(html_writer *page, const shown *data)
{
  html_element(page, "h2", NULL, "In short");
  html_open(page, "ul", "class", "short", NULL);
  size_t n = 0;
  for (size_t i = 0; i < RB_LEN(questions) && n < MOST_ANSWERS; i++)
    n += write_answer(page, data, &questions[i]);
  html_close(page);
}

static void write_method(html_writer *page, const lineup_page *data)
{
  size_t settled = 0;
  for (size_t i = 0; i < data->table->n_passes; i++)
    settled += data->table->passes[i].settled;
  html_element(page, "h2", NULL, "How it was measured, and what it cannot say");
  html_open(page, "div", "class", "method", NULL);
  html_open(page, "p", NULL);
  html_printf(
      page,
      "%s in %s; %zu of the passes after the amplifier had settled. Values are "
      "means; “±” is twice the spread of passes and the captures' own noise together (about 95 %% "
      "of "
      "repeats).",
      rb_figure_count(data->table->n_passes, "pass", "passes").text,
      rb_figure_count(data->n_sittings, "sitting", "sittings").text, settled);
  html_close(page);
  if (data->n_sittings)
    page_bench(page, &data->sittings[data->n_sittings - 1].bench);
  html_element(page, "p", NULL,
               "Everything was measured at the loudspeaker terminals, with all these tubes "
               "together: no number here is "
               "that of one tube alone. “below …” means that the bench could not tell the value "
               "from nothing. Curves "
               "are of the newest pass.");
  html_close(page);
}

static void write_body(html_writer *page, const lineup_page *data, const shown *values,
                       const chart_set *charts)
{
  html_open(page, "main", NULL);
  html_element(page, "p", "kind", "Line-up report");
  html_element(page, "h1", NULL, data->lineup->name);
  html_open(page, "p", "class", "place", NULL);
  html_printf(page, "%s", data->lineup->amplifier.name);
  if (data->n_sittings)
    html_printf(page, ", last measured %.10s", data->sittings[data->n_sittings - 1].started_at);
  html_text(page, ".");
  html_close(page);
  page_invented(page, data->sittings, data->n_sittings);
  write_short(page, values);
  html_element(page, "h2", NULL, "What was in the sockets");
  write_fittings(page, data->lineup);
  html_element(page, "h2", NULL, "Pictures");
  page_charts(page, charts);
  html_element(page, "h2", NULL, "The numbers");
  tables_main(page, values);
  tables_rest(page, values);
  tables_curves(page, values);
  write_method(page, data);
  page_safety(page);
  html_close(page);
}

rb_status page_lineup(const lineup_page *data, rb_arena *arena, rb_text *out)
{
  shown values;
  RB_TRY(shown_from_table(data->lineup, data->table, data->results, arena, &values));
  chart_set *charts;
  RB_TRY(charts_of(&values, arena, &charts));
  rb_text body = {0};
  html_writer page = {.out = &body};
  write_body(&page, data, &values, charts);
  page_finish(data->lineup->name, &body, out);
  bool failed = body.failed || out->failed;
  rb_text_free(&body);
  return failed ? RB_NO_MEM : RB_OK;
}
