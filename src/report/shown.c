// SPDX-License-Identifier: GPL-3.0-or-later
#include "shown.h"

#include "rollbook/base/text.h"

#include <math.h>
#include <string.h>

static bool same_quantity(const rb_quantity *a, const rb_quantity *b)
{
  return a->channel == b->channel && strcmp(a->key, b->key) == 0 &&
         strcmp(a->condition, b->condition) == 0;
}

// The interval of a change is made of both sides' spreads; seen alone, each has its half of it.
static shown_value side_value(const rb_effect_side *side, const rb_effect *effect)
{
  double half = 0.5 * (effect->interval[1] - effect->interval[0]);
  bool known = effect->basis != RB_BASIS_NONE && side->resolved;
  return (shown_value){.present = side->n_passes > 0,
                       .resolved = side->resolved,
                       .value = side->value,
                       .expanded = known ? half / sqrt(2) : 0};
}

static double largest_floor(const rb_table *table, const rb_quantity *quantity)
{
  double floor = NAN;
  for (size_t i = 0; table && i < table->n_values; i++) {
    const rb_table_value *value = &table->values[i];
    bool counts = value->floor != 0 && same_quantity(&table->quantities[value->quantity], quantity);
    if (counts && !(value->floor <= floor))
      floor = value->floor;
  }
  return floor;
}

static void curve_from_effect(const rb_curve_effect *effect, shown_curve *curve)
{
  *curve = (shown_curve){.channel = effect->channel,
                         .n = effect->n,
                         .x = effect->x,
                         .y = {effect->a, effect->b},
                         .difference = effect->difference,
                         .pointwise = effect->pointwise,
                         .simultaneous = effect->simultaneous};
  rb_text_copy(curve->key, sizeof curve->key, effect->key);
  rb_text_copy(curve->condition, sizeof curve->condition, effect->condition);
  rb_text_copy(curve->x_unit, sizeof curve->x_unit, effect->x_unit);
  rb_text_copy(curve->y_unit, sizeof curve->y_unit, effect->y_unit);
}

rb_status shown_from_swap(const swap_page *page, rb_arena *arena, shown *out)
{
  const rb_comparison *comparison = page->comparison;
  *out = (shown){.n_sides = 2, .lineups = {&comparison->lineup_a, &comparison->lineup_b}};
  out->rows = rb_arena_alloc(arena, comparison->n_effects + 1, sizeof *out->rows);
  out->curves = rb_arena_alloc(arena, comparison->n_curves + 1, sizeof *out->curves);
  if (!out->rows || !out->curves)
    return RB_NO_MEM;
  for (size_t i = 0; i < comparison->n_effects; i++) {
    const rb_effect *effect = &comparison->effects[i];
    out->rows[out->n_rows++] =
        (shown_row){.quantity = effect->quantity,
                    .sides = {side_value(&effect->a, effect), side_value(&effect->b, effect)},
                    .floor = largest_floor(page->table, &effect->quantity),
                    .effect = effect};
  }
  for (size_t i = 0; i < comparison->n_curves; i++)
    curve_from_effect(&comparison->curves[i], &out->curves[out->n_curves++]);
  return RB_OK;
}

static double spread_about(const rb_table *table, size_t quantity, double mean, size_t n)
{
  double squares = 0;
  for (size_t i = 0; i < table->n_values; i++)
    if (table->values[i].quantity == quantity)
      squares += pow(table->values[i].value - mean, 2);
  return n > 1 ? squares / (double)(n - 1) : 0;
}

// Mean over passes; what one more pass would show is within its own noise and the passes' spread.
static shown_value mean_value(const rb_table *table, size_t quantity)
{
  double sum = 0, noise = 0, bound = 0;
  size_t n = 0;
  bool resolved = true;
  for (size_t i = 0; i < table->n_values; i++) {
    const rb_table_value *value = &table->values[i];
    if (value->quantity != quantity)
      continue;
    bound = n && value->value <= bound ? bound : value->value;
    sum += value->value;
    noise += value->uncertainty * value->uncertainty;
    resolved = resolved && value->resolved;
    n++;
  }
  if (!n)
    return (shown_value){0};
  double mean = sum / (double)n;
  double variance = noise / (double)n + spread_about(table, quantity, mean, n);
  return (shown_value){.present = true,
                       .resolved = resolved,
                       .value = resolved ? mean : bound,
                       .expanded = 2 * sqrt(variance)};
}

static size_t kind_place(const char *key)
{
  size_t n;
  const rb_reading_kind *kinds = rb_reading_kinds(&n);
  const rb_reading_kind *found = rb_reading_kind_find(key);
  return found ? (size_t)(found - kinds) : n;
}

// In the order of the catalogue; equal kinds keep the order they were measured in.
static void sort_rows(shown_row *rows, size_t n)
{
  for (size_t i = 1; i < n; i++) {
    shown_row row = rows[i];
    size_t place = kind_place(row.quantity.key), k = i;
    for (; k && kind_place(rows[k - 1].quantity.key) > place; k--)
      rows[k] = rows[k - 1];
    rows[k] = row;
  }
}

static void curve_from_result(const rb_curve *result, shown_curve *curve)
{
  *curve = (shown_curve){
      .channel = result->channel, .n = result->n, .x = result->x, .y = {result->y, NULL}};
  rb_text_copy(curve->key, sizeof curve->key, result->key);
  rb_text_copy(curve->condition, sizeof curve->condition, result->condition);
  rb_text_copy(curve->x_unit, sizeof curve->x_unit, result->x_unit);
  rb_text_copy(curve->y_unit, sizeof curve->y_unit, result->y_unit);
}

rb_status shown_from_table(const rb_lineup *lineup, const rb_table *table,
                           const rb_results *results, rb_arena *arena, shown *out)
{
  size_t n_curves = results ? results->n_curves : 0;
  *out = (shown){.n_sides = 1, .lineups = {lineup, NULL}};
  out->rows = rb_arena_alloc(arena, table->n_quantities + 1, sizeof *out->rows);
  out->curves = rb_arena_alloc(arena, n_curves + 1, sizeof *out->curves);
  if (!out->rows || !out->curves)
    return RB_NO_MEM;
  for (size_t i = 0; i < table->n_quantities; i++) {
    shown_row row = {.quantity = table->quantities[i], .sides = {mean_value(table, i)}};
    row.floor = largest_floor(table, &row.quantity);
    if (row.sides[0].present)
      out->rows[out->n_rows++] = row;
  }
  sort_rows(out->rows, out->n_rows);
  for (size_t i = 0; i < n_curves; i++)
    curve_from_result(&results->curves[i], &out->curves[out->n_curves++]);
  return RB_OK;
}

void shown_keep_socket(shown *page, const char *socket)
{
  const rb_socket *found = rb_amplifier_socket(&page->lineups[0]->amplifier, socket);
  size_t kept = 0;
  for (size_t i = 0; i < page->n_rows; i++) {
    rb_channel channel = page->rows[i].quantity.channel;
    if (!found || found->channel == RB_BOTH || channel == found->channel)
      page->rows[kept++] = page->rows[i];
  }
  page->n_rows = kept;
}

const shown_row *shown_find(const shown *page, const char *key, rb_channel channel,
                            const char *condition)
{
  for (size_t i = 0; i < page->n_rows; i++) {
    const rb_quantity *q = &page->rows[i].quantity;
    if (q->channel == channel && strcmp(q->key, key) == 0 &&
        (!condition || strcmp(q->condition, condition) == 0))
      return &page->rows[i];
  }
  return NULL;
}

const shown_curve *shown_find_curve(const shown *page, const char *key, rb_channel channel,
                                    const char *condition)
{
  for (size_t i = 0; i < page->n_curves; i++) {
    const shown_curve *curve = &page->curves[i];
    if (curve->channel == channel && strcmp(curve->key, key) == 0 &&
        (!condition || strcmp(curve->condition, condition) == 0))
      return curve;
  }
  return NULL;
}

const char *shown_main_condition(const shown *page)
{
  const char *first = NULL;
  for (size_t i = 0; i < page->n_rows; i++) {
    const rb_quantity *q = &page->rows[i].quantity;
    if (strcmp(q->key, "h2") != 0)
      continue;
    if (strcmp(q->condition, "tone-1k 1 W") == 0)
      return q->condition;
    first = first ? first : q->condition;
  }
  return first;
}
