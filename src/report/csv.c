// SPDX-License-Identifier: GPL-3.0-or-later
#include "csv.h"

#include <math.h>
#include <string.h>

// A cell follows another in its row when the row has begun.
static void separate(rb_text *csv)
{
  if (csv->length && csv->bytes[csv->length - 1] != '\n')
    rb_text_add(csv, ",");
}

void csv_text(rb_text *csv, const char *text)
{
  separate(csv);
  rb_text_add(csv, "\"");
  if (text[0] && strchr("=+-@\t\r", text[0]))
    rb_text_add(csv, "'");
  rb_text valid = {0};
  rb_text_add_valid(&valid, text);
  csv->failed = csv->failed || valid.failed;
  for (const char *at = valid.length ? valid.bytes : ""; *at; at++) {
    if (*at == '"')
      rb_text_add(csv, "\"");
    rb_text_add_bytes(csv, at, 1);
  }
  rb_text_free(&valid);
  rb_text_add(csv, "\"");
}

void csv_number(rb_text *csv, double number)
{
  separate(csv);
  if (isfinite(number))
    rb_text_printf(csv, "%.9g", number);
  else
    rb_text_add(csv, "\"\"");
}

void csv_end_row(rb_text *csv)
{
  rb_text_add(csv, "\r\n");
}

void csv_row(rb_text *csv, const char *const *texts, size_t n)
{
  for (size_t i = 0; i < n; i++)
    csv_text(csv, texts[i]);
  csv_end_row(csv);
}

static void quantity_cells(rb_text *csv, const rb_quantity *quantity)
{
  const rb_reading_kind *kind = rb_reading_kind_find(quantity->key);
  csv_text(csv, quantity->key);
  csv_text(csv, kind ? kind->label : "");
  csv_text(csv, rb_channel_name(quantity->channel));
  csv_text(csv, quantity->condition);
  csv_text(csv, quantity->unit);
}

static void side_cells(rb_text *csv, const rb_effect_side *side)
{
  csv_number(csv, side->n_passes ? side->value : (double)NAN);
  csv_text(csv, side->resolved ? "yes" : "no");
}

static void effect_row(rb_text *csv, const rb_effect *effect)
{
  bool known = effect->basis != RB_BASIS_NONE;
  quantity_cells(csv, &effect->quantity);
  side_cells(csv, &effect->a);
  side_cells(csv, &effect->b);
  csv_number(csv, effect->difference);
  csv_number(csv, known ? effect->interval[0] : (double)NAN);
  csv_number(csv, known ? effect->interval[1] : (double)NAN);
  csv_number(csv, known ? effect->smallest_resolvable : (double)NAN);
  csv_number(csv, known ? effect->p : (double)NAN);
  csv_number(csv, known ? effect->p_holm : (double)NAN);
  csv_text(csv, rb_basis_text(effect->basis));
  csv_text(csv, rb_effect_word_name(effect->word));
  csv_text(csv, rb_audible_name(effect->audible));
  csv_text(csv, effect->source ? effect->source : "");
  csv_end_row(csv);
}

void csv_effects(rb_text *csv, const rb_comparison *comparison)
{
  static const char *const heads[] = {"key",
                                      "label",
                                      "channel",
                                      "condition",
                                      "unit",
                                      "a",
                                      "a_resolved",
                                      "b",
                                      "b_resolved",
                                      "difference",
                                      "interval_low",
                                      "interval_high",
                                      "smallest_resolvable",
                                      "p",
                                      "p_holm",
                                      "basis",
                                      "word",
                                      "audible",
                                      "source"};
  csv_row(csv, heads, RB_LEN(heads));
  for (size_t i = 0; i < comparison->n_effects; i++)
    effect_row(csv, &comparison->effects[i]);
}

void csv_passes_head(rb_text *csv)
{
  static const char *const heads[] = {"lineup",           "sitting",   "pass",    "started_at",
                                      "since_power_on_s", "settled",   "key",     "label",
                                      "channel",          "condition", "unit",    "value",
                                      "uncertainty",      "floor",     "resolved"};
  csv_row(csv, heads, RB_LEN(heads));
}

void csv_passes(rb_text *csv, const rb_table *table, const char *const *lineups)
{
  for (size_t i = 0; i < table->n_values; i++) {
    const rb_table_value *value = &table->values[i];
    const rb_table_pass *pass = &table->passes[value->pass];
    csv_text(csv, lineups[value->pass]);
    csv_number(csv, (double)pass->sitting_id);
    csv_number(csv, (double)pass->pass_id);
    csv_text(csv, pass->started_at);
    csv_number(csv, pass->since_power_on_s);
    csv_text(csv, pass->settled ? "yes" : "no");
    quantity_cells(csv, &table->quantities[value->quantity]);
    csv_number(csv, value->value);
    csv_number(csv, value->uncertainty);
    csv_number(csv, value->floor);
    csv_text(csv, value->resolved ? "yes" : "no");
    csv_end_row(csv);
  }
}
