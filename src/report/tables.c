// SPDX-License-Identifier: GPL-3.0-or-later
#include "tables.h"

#include "rollbook/report/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const rb_channel pair[2] = {RB_LEFT, RB_RIGHT};
static const char *const side_names[2] = {"A", "B"};

// Shown first whatever the condition; harmonics above the third only for the main one.
static const char *const always[] = {"gain", "thd", "h2", "h3"};
static const char *const under_main[] = {"level", "thd_n",   "h4",     "h5",    "h2_signed",
                                         "noise", "noise_a", "hum_1x", "hum_2x"};
static const char *const wherever[] = {
    "low_3db",    "high_3db",   "bass_band",        "mid_band",       "treble_band",
    "separation", "balance",    "output_impedance", "damping_factor", "power_1pct",
    "power_3pct", "power_5pct", "noise_a",          "crackle_rate",   "pop_peak",
    "ring_level", "drift_gain", "drift_h2",         "imd_mod",        "imd_diff2"};

static bool listed(const char *const *keys, size_t n, const char *key)
{
  for (size_t i = 0; i < n; i++)
    if (strcmp(keys[i], key) == 0)
      return true;
  return false;
}

static bool is_main(const shown *page, const rb_quantity *quantity)
{
  const char *main_condition = shown_main_condition(page);
  bool under = main_condition && strcmp(quantity->condition, main_condition) == 0;
  return listed(always, RB_LEN(always), quantity->key) ||
         listed(wherever, RB_LEN(wherever), quantity->key) ||
         (under && listed(under_main, RB_LEN(under_main), quantity->key));
}

static const char *group_of(const rb_quantity *quantity)
{
  const rb_reading_kind *kind = rb_reading_kind_find(quantity->key);
  return kind ? kind->group : "Others";
}

static double largest_of_key(const shown *data, const char *key)
{
  double largest = 0;
  for (size_t i = 0; i < data->n_rows; i++)
    for (size_t side = 0; side < data->n_sides; side++)
      if (data->rows[i].sides[side].present && strcmp(data->rows[i].quantity.key, key) == 0)
        largest = fmax(largest, fabs(data->rows[i].sides[side].value));
  return largest;
}

row_form tables_form(const shown *data, const shown_row *row)
{
  double largest = 0, finest = 0;
  for (size_t side = 0; side < data->n_sides; side++) {
    const shown_value *value = &row->sides[side];
    if (!value->present)
      continue;
    largest = fmax(largest, fabs(value->value));
    if (value->expanded > 0 && (finest == 0 || value->expanded < finest))
      finest = value->expanded;
  }
  const rb_quantity *quantity = &row->quantity;
  row_form form = {.scale = rb_scale_for(quantity->unit, largest_of_key(data, quantity->key))};
  form.decimals = rb_decimals_for(largest * form.scale.factor, finest * form.scale.factor);
  // Six significant digits are enough for a table; changes have digits of their own.
  int whole = largest > 0 ? (int)floor(log10(largest * form.scale.factor)) + 1 : 1;
  int most = 6 - (whole > 1 ? whole : 1);
  form.decimals = form.decimals > most ? (most > 0 ? most : 0) : form.decimals;
  return form;
}

rb_figure tables_value(const shown_value *value, const row_form *form, const char *unit)
{
  rb_figure none = {"–"};
  if (!value->present)
    return none;
  return value->resolved ? rb_figure_number(value->value, form->decimals, &form->scale)
                         : rb_figure_below(value->value, unit);
}

static void value_cell(html_writer *page, const shown_value *value, const row_form *form,
                       const char *unit)
{
  const char *classes = !value->present ? "n none" : value->resolved ? "n" : "n below";
  html_element(page, "td", classes, tables_value(value, form, unit).text);
}

static const char *audible_words(const rb_effect *effect)
{
  const char *const words[] = {"", "unlikely to be heard", "could be heard"};
  return effect->word == RB_CHANGED ? words[effect->audible] : "";
}

const char *tables_finding(const rb_effect *effect)
{
  if (effect->word == RB_CHANGED)
    return "changed";
  return effect->basis == RB_BASIS_SITTINGS ? "not resolved"
         : effect->basis == RB_BASIS_NONE   ? "too small"
                                            : "not judged";
}

static void change_cells(html_writer *page, const rb_effect *effect, const rb_scale *scale)
{
  bool changed = effect->word == RB_CHANGED;
  html_open(page, "td", "class", changed ? "n changed" : "n", NULL);
  if (effect->basis == RB_BASIS_NONE)
    html_text(page, "–");
  else {
    double half = 0.5 * (effect->interval[1] - effect->interval[0]);
    int decimals = rb_decimals_for(effect->difference * scale->factor, half * scale->factor);
    html_printf(page, "%s%s", effect->is_bound ? "at least " : "",
                rb_figure_signed(effect->difference, decimals, scale).text);
    html_open(page, "small", NULL);
    html_printf(page, "%s to %s", rb_figure_signed(effect->interval[0], decimals, scale).text,
                rb_figure_signed(effect->interval[1], decimals, scale).text);
    html_close(page);
  }
  html_close(page);
  html_open(page, "td", "class", changed ? "w changed" : "w", NULL);
  html_text(page, tables_finding(effect));
  if (audible_words(effect)[0])
    html_element(page, "small", NULL, audible_words(effect));
  html_close(page);
}

static void expanded_cell(html_writer *page, const shown_value *value, const row_form *form)
{
  if (value->resolved && value->expanded > 0)
    html_element(page, "td", "n",
                 rb_figure_number(value->expanded, form->decimals, &form->scale).text);
  else
    html_element(page, "td", "n none", "–");
}

static void channel_cells(html_writer *page, const shown *data, const shown_row *row)
{
  size_t n_cells = data->n_sides == 2 ? 4 : 2;
  if (!row) {
    for (size_t i = 0; i < n_cells; i++)
      html_element(page, "td", "none", "");
    return;
  }
  row_form form = tables_form(data, row);
  for (size_t side = 0; side < data->n_sides; side++)
    value_cell(page, &row->sides[side], &form, row->quantity.unit);
  if (row->effect)
    change_cells(page, row->effect, &form.scale);
  else
    expanded_cell(page, &row->sides[0], &form);
}

// The one condition of a key on this page needs no telling when it is the main one.
static bool tells_condition(const shown *data, const rb_quantity *quantity)
{
  const char *main_condition = shown_main_condition(data);
  if (!main_condition || strcmp(main_condition, quantity->condition) != 0)
    return true;
  for (size_t i = 0; i < data->n_rows; i++) {
    const rb_quantity *other = &data->rows[i].quantity;
    if (strcmp(other->key, quantity->key) == 0 &&
        strcmp(other->condition, quantity->condition) != 0 && is_main(data, other))
      return true;
  }
  return false;
}

static void label_cell(html_writer *page, const shown *data, const rb_quantity *quantity,
                       const rb_scale *scale, bool continued)
{
  const rb_reading_kind *kind = rb_reading_kind_find(quantity->key);
  html_open(page, "th", "scope", "row", NULL);
  if (!continued) {
    html_text(page, kind ? kind->label : quantity->key);
    if (scale->unit[0])
      html_printf(page, " (%s)", scale->unit);
  }
  if (quantity->channel == RB_BOTH)
    html_element(page, "small", NULL, "both channels");
  if (tells_condition(data, quantity))
    html_element(page, "small", NULL, rb_condition_words(quantity->condition).text);
  html_close(page);
}

static bool has_channel(const shown *data, rb_channel channel)
{
  for (size_t i = 0; i < data->n_rows; i++)
    if (data->rows[i].quantity.channel == channel)
      return true;
  return false;
}

// Which channels have columns. What holds for both stands in the first.
typedef struct columns {
  rb_channel channels[2];
  size_t n;
} columns;

static columns columns_of(const shown *data)
{
  columns found = {.n = 0};
  for (size_t c = 0; c < 2; c++)
    if (has_channel(data, pair[c]))
      found.channels[found.n++] = pair[c];
  if (!found.n)
    found = (columns){.channels = {RB_LEFT}, .n = 1};
  return found;
}

static void reading_row(html_writer *page, const shown *data, const rb_quantity *quantity,
                        bool continued)
{
  const shown_row *rows[2] = {NULL, NULL};
  bool both = quantity->channel == RB_BOTH;
  columns shown_columns = columns_of(data);
  for (size_t c = 0; c < shown_columns.n && !(both && c); c++)
    rows[c] = shown_find(data, quantity->key, both ? RB_BOTH : shown_columns.channels[c],
                         quantity->condition);
  rb_scale scale = rb_scale_for(quantity->unit, largest_of_key(data, quantity->key));
  html_open(page, "tr", NULL);
  label_cell(page, data, quantity, &scale, continued);
  for (size_t c = 0; c < shown_columns.n; c++)
    channel_cells(page, data, rows[c]);
  html_close(page);
}

// The first row of its key and condition; its sisters of the other channel stand beside it.
static bool is_first(const shown *data, size_t index)
{
  const rb_quantity *q = &data->rows[index].quantity;
  for (size_t i = 0; i < index; i++) {
    const rb_quantity *earlier = &data->rows[i].quantity;
    bool pair_of = (earlier->channel == RB_BOTH) == (q->channel == RB_BOTH);
    if (pair_of && strcmp(earlier->key, q->key) == 0 &&
        strcmp(earlier->condition, q->condition) == 0)
      return false;
  }
  return true;
}

static void head_cells(html_writer *page, const shown *data)
{
  static const char *const of_swap[] = {"A", "B", "Change, 95 %", "Finding"};
  static const char *const of_one[] = {"Value", "±"};
  bool swap = data->n_sides == 2;
  const char *const *heads = swap ? of_swap : of_one;
  for (size_t i = 0; i < (swap ? RB_LEN(of_swap) : RB_LEN(of_one)); i++) {
    html_open(page, "th", "scope", "col", "class",
              i == 3          ? "w"
              : i < 2 && swap ? (i ? "n b" : "n a")
                              : "n",
              NULL);
    html_text(page, heads[i]);
    html_close(page);
  }
}

static void head(html_writer *page, const shown *data)
{
  columns shown_columns = columns_of(data);
  html_open(page, "thead", NULL);
  html_open(page, "tr", NULL);
  html_element(page, "td", NULL, "");
  for (size_t c = 0; c < shown_columns.n; c++) {
    html_open(page, "th", "colspan", data->n_sides == 2 ? "4" : "2", "scope", "colgroup", "class",
              "channel", NULL);
    html_text(page, shown_columns.channels[c] == RB_LEFT ? "Left" : "Right");
    html_close(page);
  }
  html_close(page);
  html_open(page, "tr", NULL);
  html_element(page, "th", NULL, "Reading");
  for (size_t c = 0; c < shown_columns.n; c++)
    head_cells(page, data);
  html_close(page);
  html_close(page);
}

static void group_head(html_writer *page, const shown *data, const char *group)
{
  size_t n_cells = 1 + columns_of(data).n * (data->n_sides == 2 ? 4 : 2);
  char span[8];
  snprintf(span, sizeof span, "%zu", n_cells);
  html_open(page, "tr", "class", "group", NULL);
  html_open(page, "th", "colspan", span, "scope", "rowgroup", NULL);
  html_text(page, group);
  html_close(page);
  html_close(page);
}

static bool is_wanted(const shown *data, size_t index, bool main_ones)
{
  return is_main(data, &data->rows[index].quantity) == main_ones && is_first(data, index);
}

static void group_rows(html_writer *page, const shown *data, bool main_ones, const char *group)
{
  const char *key = "";
  html_open(page, "tbody", NULL);
  group_head(page, data, group);
  for (size_t i = 0; i < data->n_rows; i++) {
    const rb_quantity *quantity = &data->rows[i].quantity;
    if (!is_wanted(data, i, main_ones) || strcmp(group, group_of(quantity)) != 0)
      continue;
    reading_row(page, data, quantity, strcmp(key, quantity->key) == 0);
    key = quantity->key;
  }
  html_close(page);
}

// No row before this one is of its group.
static bool opens_group(const shown *data, size_t index, bool main_ones)
{
  for (size_t i = 0; i < index; i++)
    if (is_wanted(data, i, main_ones) &&
        strcmp(group_of(&data->rows[i].quantity), group_of(&data->rows[index].quantity)) == 0)
      return false;
  return true;
}

static size_t count_rows(const shown *data, bool main_ones)
{
  size_t n = 0;
  for (size_t i = 0; i < data->n_rows; i++)
    n += is_wanted(data, i, main_ones);
  return n;
}

static void table(html_writer *page, const shown *data, bool main_ones)
{
  html_open(page, "div", "class", "scroll", "tabindex", "0", "role", "region", "aria-label",
            main_ones ? "Main readings" : "Further readings", NULL);
  html_open(page, "table", "class", data->n_sides == 2 ? "readings swap" : "readings", NULL);
  head(page, data);
  for (size_t i = 0; i < data->n_rows; i++)
    if (is_wanted(data, i, main_ones) && opens_group(data, i, main_ones))
      group_rows(page, data, main_ones, group_of(&data->rows[i].quantity));
  html_close(page);
  html_close(page);
}

void tables_main(html_writer *page, const shown *data)
{
  table(page, data, true);
}

void tables_rest(html_writer *page, const shown *data)
{
  size_t n = count_rows(data, false);
  if (!n)
    return;
  html_open(page, "details", NULL);
  html_open(page, "summary", NULL);
  html_printf(page, "All other readings (%zu rows)", n);
  html_close(page);
  table(page, data, false);
  html_close(page);
}

static const double axis_hz[] = {20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000};

static size_t nearest(const shown_curve *curve, double x)
{
  size_t best = 0;
  for (size_t i = 1; i < curve->n; i++)
    if (fabs(curve->x[i] - x) < fabs(curve->x[best] - x))
      best = i;
  return best;
}

static void curve_point(html_writer *page, const shown *data, const shown_curve *curve, size_t at)
{
  const rb_scale plain = {.factor = 1};
  html_open(page, "tr", NULL);
  html_open(page, "th", "scope", "row", "class", "n", NULL);
  html_text(page, rb_figure_prose(curve->x[at], curve->x_unit).text);
  html_close(page);
  for (size_t side = 0; side < data->n_sides; side++)
    html_element(page, "td", "n", rb_figure_number(curve->y[side][at], 2, &plain).text);
  if (curve->difference) {
    const double *half = curve->simultaneous ? curve->simultaneous : curve->pointwise;
    html_element(page, "td", "n", rb_figure_signed(curve->difference[at], 3, &plain).text);
    html_element(page, "td", "n", half ? rb_figure_number(half[at], 3, &plain).text : "–");
  }
  html_close(page);
}

static void curve_table(html_writer *page, const shown *data, const shown_curve *curve)
{
  html_open(page, "table", "class", "readings", NULL);
  html_open(page, "caption", NULL);
  html_printf(page, "%s, %s, %s (%s)", curve->key, rb_channel_name(curve->channel),
              rb_condition_words(curve->condition).text, curve->y_unit);
  html_close(page);
  html_open(page, "thead", NULL);
  html_open(page, "tr", NULL);
  html_element(page, "th", "n", "At");
  for (size_t side = 0; side < data->n_sides; side++)
    html_element(page, "th", "n", data->n_sides == 2 ? side_names[side] : "Value");
  if (curve->difference) {
    html_element(page, "th", "n", "Change");
    html_element(page, "th", "n", "± 95 %");
  }
  html_close(page);
  html_close(page);
  html_open(page, "tbody", NULL);
  bool frequency = strcmp(curve->x_unit, "Hz") == 0;
  size_t n = frequency ? RB_LEN(axis_hz) : curve->n;
  for (size_t i = 0; i < n && i < 40; i++)
    curve_point(page, data, curve, frequency ? nearest(curve, axis_hz[i]) : i);
  html_close(page);
  html_close(page);
}

void tables_curves(html_writer *page, const shown *data)
{
  if (!data->n_curves)
    return;
  html_open(page, "details", NULL);
  html_element(page, "summary", NULL, "Values of the curves");
  html_open(page, "div", "class", "scroll curves", "tabindex", "0", "role", "region", "aria-label",
            "Values of the curves", NULL);
  for (size_t i = 0; i < data->n_curves; i++)
    if (data->curves[i].n)
      curve_table(page, data, &data->curves[i]);
  html_close(page);
  html_close(page);
}
