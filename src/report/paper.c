// SPDX-License-Identifier: GPL-3.0-or-later
#include "paper.h"

#include "in_short.h"
#include "sheet.h"
#include "tables.h"

#include "rollbook/report/words.h"

#include <stdio.h>
#include <string.h>

static const sheet_column of_swap[] = {{0, false},    {0.31, false}, {0.555, true}, {0.67, true},
                                       {0.745, true}, {0.815, true}, {0.885, true}, {0.905, false}};
static const sheet_column of_one[] = {{0, false}, {0.34, false}, {0.55, false}, {0.8, true}};

static const char *label_of(const rb_quantity *quantity)
{
  const rb_reading_kind *kind = rb_reading_kind_find(quantity->key);
  return kind ? kind->label : quantity->key;
}

static void swap_row(sheet *paper, const shown *values, const shown_row *row)
{
  const rb_effect *effect = row->effect;
  const char *unit = row->quantity.unit;
  const row_form form = tables_form(values, row);
  char label[128];
  snprintf(label, sizeof label, "%s%s%s%s, %s", label_of(&row->quantity),
           form.scale.unit[0] ? " (" : "", form.scale.unit, form.scale.unit[0] ? ")" : "",
           rb_channel_name(row->quantity.channel));
  rb_figure condition = rb_condition_words(row->quantity.condition);
  rb_figure a = tables_value(&row->sides[0], &form, unit);
  rb_figure b = tables_value(&row->sides[1], &form, unit);
  rb_figure change = {"–"}, low = {"–"}, high = {"–"};
  if (effect->basis != RB_BASIS_NONE) {
    double half = 0.5 * (effect->interval[1] - effect->interval[0]) * form.scale.factor;
    int decimals = rb_decimals_for(effect->difference * form.scale.factor, half);
    change = rb_figure_signed(effect->difference, decimals, &form.scale);
    low = rb_figure_signed(effect->interval[0], decimals, &form.scale);
    high = rb_figure_signed(effect->interval[1], decimals, &form.scale);
  }
  const char *const cells[] = {label,       condition.text, a.text,    b.text,
                               change.text, low.text,       high.text, tables_finding(effect)};
  sheet_row(paper, effect->word == RB_CHANGED ? "row strong" : "row", of_swap, cells,
            RB_LEN(cells));
}

static void one_row(sheet *paper, const shown_row *row)
{
  const shown_value *value = &row->sides[0];
  rb_reading reading = {
      .value = value->value, .uncertainty = value->expanded / 2, .resolved = value->resolved};
  rb_text_copy(reading.unit, sizeof reading.unit, row->quantity.unit);
  rb_figure condition = rb_condition_words(row->quantity.condition);
  rb_figure shown_as = rb_figure_reading(&reading);
  const char *const cells[] = {label_of(&row->quantity), rb_channel_name(row->quantity.channel),
                               condition.text, shown_as.text};
  sheet_row(paper, "row", of_one, cells, RB_LEN(cells));
}

static void write_rows(sheet *paper, const shown *values)
{
  static const char *const swap_heads[] = {"Reading", "Condition", "A",  "B",
                                           "Change",  "from",      "to", "Finding"};
  static const char *const one_heads[] = {"Reading", "Channel", "Condition", "Value"};
  if (values->n_sides == 2)
    sheet_row(paper, "row strong", of_swap, swap_heads, RB_LEN(swap_heads));
  else
    sheet_row(paper, "row strong", of_one, one_heads, RB_LEN(one_heads));
  for (size_t i = 0; i < values->n_rows; i++)
    if (values->rows[i].effect)
      swap_row(paper, values, &values->rows[i]);
    else
      one_row(paper, &values->rows[i]);
}

static rb_status write_charts(sheet *paper, const shown *values, rb_arena *arena)
{
  chart_set *charts;
  RB_TRY(charts_of(values, arena, &charts));
  for (size_t i = 0; i < charts->n; i++)
    sheet_chart(paper, &charts->charts[i]);
  return RB_OK;
}

static rb_status finish(sheet *paper, rb_status status, const char *title, rb_text *pdf,
                        rb_err *err)
{
  rb_status drawn = sheet_finish(paper, title, pdf, err);
  if (status != RB_OK)
    return rb_fail(err, status, "Out of memory while drawing the report.");
  return drawn;
}

static rb_status fill_swap(sheet *paper, const swap_page *data, const char *title, rb_arena *arena)
{
  const rb_comparison *comparison = data->comparison;
  char sides[3 * RB_NAME_SIZE + 32];
  in_short sentences;
  shown values;
  RB_TRY(shown_from_swap(data, arena, &values));
  in_short_of(&values, comparison, &sentences);
  snprintf(sides, sizeof sides, "%s. A: %s. B: %s.", comparison->lineup_a.amplifier.name,
           comparison->lineup_a.name, comparison->lineup_b.name);
  sheet_paragraph(paper, "finding", 15, title);
  sheet_paragraph(paper, "note", 9, sides);
  if (page_is_simulated(data->sittings, data->n_sittings))
    sheet_paragraph(paper, "head", 9, page_invented_words);
  for (size_t i = 0; i < sentences.n; i++)
    sheet_paragraph(paper, "row", 9.5, sentences.sentences[i]);
  RB_TRY(write_charts(paper, &values, arena));
  write_rows(paper, &values);
  for (size_t i = 0; i < comparison->n_notes; i++)
    sheet_paragraph(paper, "note", 8, comparison->notes[i]);
  sheet_paragraph(paper, "note", 8, page_safety_words);
  return RB_OK;
}

rb_status paper_swap(const swap_page *data, rb_arena *arena, rb_text *pdf, rb_err *err)
{
  rb_text title = {0};
  sheet *paper = rb_arena_alloc(arena, 1, sizeof *paper);
  page_swap_title(data->comparison, &title);
  if (!paper || title.failed) {
    rb_text_free(&title);
    return rb_fail(err, RB_NO_MEM, "Out of memory while drawing the report.");
  }
  sheet_begin(paper, title.bytes);
  rb_status status = fill_swap(paper, data, title.bytes, arena);
  status = finish(paper, status, title.bytes, pdf, err);
  rb_text_free(&title);
  return status;
}

static rb_status fill_lineup(sheet *paper, const lineup_page *data, rb_arena *arena)
{
  shown values;
  RB_TRY(shown_from_table(data->lineup, data->table, data->results, arena, &values));
  sheet_paragraph(paper, "finding", 15, data->lineup->name);
  sheet_paragraph(paper, "note", 9, data->lineup->amplifier.name);
  if (page_is_simulated(data->sittings, data->n_sittings))
    sheet_paragraph(paper, "head", 9, page_invented_words);
  for (size_t i = 0; i < data->lineup->n_fittings; i++) {
    const rb_fitting *fitting = &data->lineup->fittings[i];
    char line[RB_NAME_SIZE + 64];
    snprintf(line, sizeof line, "%s: %s (%s)", fitting->socket, fitting->tube.label,
             fitting->tube.type);
    sheet_paragraph(paper, "row", 9, line);
  }
  RB_TRY(write_charts(paper, &values, arena));
  write_rows(paper, &values);
  sheet_paragraph(paper, "note", 8, page_safety_words);
  return RB_OK;
}

rb_status paper_lineup(const lineup_page *data, rb_arena *arena, rb_text *pdf, rb_err *err)
{
  sheet *paper = rb_arena_alloc(arena, 1, sizeof *paper);
  if (!paper)
    return rb_fail(err, RB_NO_MEM, "Out of memory while drawing the report.");
  sheet_begin(paper, data->lineup->name);
  return finish(paper, fill_lineup(paper, data, arena), data->lineup->name, pdf, err);
}

static rb_status fill_tube(sheet *paper, const tube_page *data, rb_arena *arena)
{
  sheet_paragraph(paper, "finding", 15, data->tube->label);
  sheet_paragraph(paper, "note", 9, data->tube->type);
  for (size_t i = 0; i < data->n_stays; i++) {
    const tube_stay *stay = &data->stays[i];
    shown values;
    char line[2 * RB_NAME_SIZE + 64];
    if (page_is_simulated(stay->page.sittings, stay->page.n_sittings))
      sheet_paragraph(paper, "head", 9, page_invented_words);
    RB_TRY(shown_from_table(stay->page.lineup, stay->page.table, NULL, arena, &values));
    shown_keep_socket(&values, stay->socket);
    snprintf(line, sizeof line, "In %s of %s, line-up %s", stay->socket,
             stay->page.lineup->amplifier.name, stay->page.lineup->name);
    sheet_paragraph(paper, "head", 10, line);
    write_rows(paper, &values);
  }
  sheet_paragraph(paper, "note", 8,
                  "The readings are of the whole amplifier with this tube in its socket, not of "
                  "the tube alone. Nothing "
                  "here promises how long the tube will last.");
  sheet_paragraph(paper, "note", 8, page_safety_words);
  return RB_OK;
}

rb_status paper_tube(const tube_page *data, rb_arena *arena, rb_text *pdf, rb_err *err)
{
  sheet *paper = rb_arena_alloc(arena, 1, sizeof *paper);
  if (!paper)
    return rb_fail(err, RB_NO_MEM, "Out of memory while drawing the report.");
  sheet_begin(paper, data->tube->label);
  return finish(paper, fill_tube(paper, data, arena), data->tube->label, pdf, err);
}
