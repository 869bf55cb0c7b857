// SPDX-License-Identifier: GPL-3.0-or-later
#include "heard.h"
#include "readings.h"
#include "reports.h"

#include "rollbook/cli/stock.h"
#include "rollbook/judge/compare.h"
#include "rollbook/report/words.h"

#include <math.h>
#include <string.h>

// ---- JSON

static void answer_sockets(rb_json *json, const rb_comparison *comparison)
{
  rb_json_array(json, "sockets_changed");
  for (size_t i = 0; i < comparison->n_sockets_changed; i++) {
    const rb_socket_change *change = &comparison->sockets_changed[i];
    rb_json_object(json, NULL);
    rb_json_text(json, "socket", change->socket->name);
    rb_json_text(json, "role", rb_role_name(change->socket->role));
    rb_json_text(json, "channel", rb_channel_name(change->socket->channel));
    rb_json_text(json, "a", change->tube_a);
    rb_json_text(json, "b", change->tube_b);
    rb_json_number(json, "bias_a_ma", change->bias_a_ma);
    rb_json_number(json, "bias_b_ma", change->bias_b_ma);
    rb_json_end(json);
  }
  rb_json_end(json);
}

static void answer_side(rb_json *json, const char *name, const rb_effect_side *side)
{
  rb_json_object(json, name);
  rb_json_number(json, "value", side->value);
  rb_json_bool(json, "resolved", side->resolved);
  rb_json_integer(json, "sittings", (int64_t)side->n_sittings);
  rb_json_integer(json, "passes", (int64_t)side->n_passes);
  rb_json_end(json);
}

static void answer_effect(rb_json *json, const rb_effect *effect)
{
  bool known = effect->basis != RB_BASIS_NONE;
  rb_json_object(json, NULL);
  rb_json_text(json, "key", effect->quantity.key);
  rb_json_text(json, "channel", rb_channel_name(effect->quantity.channel));
  rb_json_text(json, "condition", effect->quantity.condition);
  rb_json_text(json, "unit", effect->quantity.unit);
  rb_json_number(json, "a", effect->a.value);
  rb_json_number(json, "b", effect->b.value);
  answer_side(json, "side_a", &effect->a);
  answer_side(json, "side_b", &effect->b);
  rb_json_number(json, "difference", effect->difference);
  rb_json_bool(json, "is_bound", effect->is_bound);
  rb_json_numbers(json, "interval", effect->interval, known ? 2 : 0);
  rb_json_number(json, "smallest_resolvable", effect->smallest_resolvable);
  rb_json_number(json, "spread_within", effect->spread_within);
  rb_json_number(json, "spread_between", effect->spread_between);
  rb_json_number(json, "p", effect->p);
  rb_json_number(json, "p_holm", effect->p_holm);
  rb_json_text(json, "basis", rb_basis_text(effect->basis));
  rb_json_text(json, "word", rb_effect_word_name(effect->word));
  rb_json_text(json, "audible", rb_audible_name(effect->audible));
  rb_json_text(json, "source", effect->source);
  rb_json_text(json, "confidence", effect->confidence);
  rb_json_end(json);
}

static void answer_curve(rb_json *json, const rb_curve_effect *curve)
{
  rb_json_object(json, NULL);
  rb_json_text(json, "key", curve->key);
  rb_json_text(json, "channel", rb_channel_name(curve->channel));
  rb_json_text(json, "condition", curve->condition);
  rb_json_text(json, "x_unit", curve->x_unit);
  rb_json_text(json, "y_unit", curve->y_unit);
  rb_json_numbers(json, "x", curve->x, curve->n);
  rb_json_numbers(json, "a", curve->a, curve->n);
  rb_json_numbers(json, "b", curve->b, curve->n);
  rb_json_numbers(json, "difference", curve->difference, curve->n);
  if (curve->pointwise)
    rb_json_numbers(json, "pointwise", curve->pointwise, curve->n);
  if (curve->simultaneous)
    rb_json_numbers(json, "simultaneous", curve->simultaneous, curve->n);
  rb_json_text(json, "basis", rb_basis_text(curve->basis));
  rb_json_end(json);
}

static void answer(rb_json *json, const rb_comparison *comparison, const rb_heard *heard,
                   size_t n_heard)
{
  rb_json_text(json, "a", comparison->lineup_a.name);
  rb_json_text(json, "b", comparison->lineup_b.name);
  answer_sockets(json, comparison);
  rb_json_text(json, "order", comparison->order_text);
  rb_json_bool(json, "drift_removed", comparison->drift_removed);
  rb_json_array(json, "sittings");
  for (size_t i = 0; i < comparison->n_order; i++) {
    const rb_order_step *step = &comparison->order[i];
    rb_json_object(json, NULL);
    rb_json_integer(json, "sitting", step->sitting_id);
    rb_json_text(json, "lineup", step->lineup == 'A' ? "a" : "b");
    rb_json_text(json, "started_at", step->started_at);
    rb_json_integer(json, "passes", (int64_t)step->n_passes);
    rb_json_end(json);
  }
  rb_json_end(json);
  rb_json_array(json, "effects");
  for (size_t i = 0; i < comparison->n_effects; i++)
    answer_effect(json, &comparison->effects[i]);
  rb_json_end(json);
  rb_json_array(json, "curves");
  for (size_t i = 0; i < comparison->n_curves; i++)
    answer_curve(json, &comparison->curves[i]);
  rb_json_end(json);
  rb_answer_heard(json, heard, n_heard);
  rb_json_texts(json, "notes", comparison->notes, comparison->n_notes);
}

// ---- words

static const char *tube_or_none(const char *label)
{
  return label[0] ? label : "(not entered)";
}

static void tell_sockets(rb_console *console, const rb_comparison *comparison)
{
  rb_console_tell(console, "'%s' (A) against '%s' (B) in '%s', measured in the order %s.",
                  comparison->lineup_a.name, comparison->lineup_b.name,
                  comparison->lineup_a.amplifier.name, comparison->order_text);
  for (size_t i = 0; i < comparison->n_sockets_changed; i++) {
    const rb_socket_change *change = &comparison->sockets_changed[i];
    rb_console_tell(console, "Changed in %s (%s, %s): %s became %s.", change->socket->name,
                    rb_role_name(change->socket->role), rb_channel_name(change->socket->channel),
                    tube_or_none(change->tube_a), tube_or_none(change->tube_b));
  }
}

/// The figures of one line of the listing: all on one scale, with the digits of the interval.
typedef struct effect_figures {
  const rb_effect *effect;
  rb_scale scale;
  int decimals;
  bool has_interval;
} effect_figures;

static double largest_side(const rb_effect *effect)
{
  return fmax(effect->a.n_passes ? fabs(effect->a.value) : 0,
              effect->b.n_passes ? fabs(effect->b.value) : 0);
}

static effect_figures figures_of(const rb_effect *effect)
{
  double largest = largest_side(effect);
  double half = (effect->interval[1] - effect->interval[0]) / 2;
  bool known = effect->basis != RB_BASIS_NONE && isfinite(half);
  effect_figures figures = {.effect = effect,
                            .scale = rb_scale_for(effect->quantity.unit, largest),
                            .has_interval = known};
  // Where the interval is wider than what it is about, its digits would say nothing of either side.
  double doubt = known && half < largest ? half : 0;
  figures.decimals = rb_decimals_for(largest * figures.scale.factor, doubt * figures.scale.factor);
  return figures;
}

static const char *side_cell(rb_console *console, const effect_figures *figures,
                             const rb_effect_side *side)
{
  if (!side->n_passes)
    return "";
  if (!side->resolved)
    // "below 4 µV" in as many columns as there are.
    return rb_cell(console, "< %s",
                   rb_figure_below(side->value, figures->effect->quantity.unit).text +
                       strlen("below "));
  return rb_cell(console, "%s",
                 rb_figure_number(side->value, figures->decimals, &figures->scale).text);
}

static const char *interval_cell(rb_console *console, const effect_figures *figures)
{
  const rb_effect *effect = figures->effect;
  double most = fmax(fabs(effect->interval[0]), fabs(effect->interval[1]));
  if (effect->basis == RB_BASIS_NONE)
    return "";
  if (!figures->has_interval || most > 100 * largest_side(effect))
    return "not known";
  return rb_cell(console, "%s to %s",
                 rb_figure_signed(effect->interval[0], figures->decimals, &figures->scale).text,
                 rb_figure_signed(effect->interval[1], figures->decimals, &figures->scale).text);
}

static const char *difference_cell(rb_console *console, const effect_figures *figures)
{
  const rb_effect *effect = figures->effect;
  if (effect->basis == RB_BASIS_NONE)
    return "";
  return rb_cell(console, "%s %s",
                 rb_figure_signed(effect->difference, figures->decimals, &figures->scale).text,
                 rb_unit_of_change(figures->scale.unit));
}

static void add_effect(rb_console *console, rb_listing *listing, const rb_effect *effect)
{
  const rb_reading_kind *kind = rb_reading_kind_find(effect->quantity.key);
  effect_figures figures = figures_of(effect);
  const char *channel = effect->quantity.channel == RB_LEFT    ? "L"
                        : effect->quantity.channel == RB_RIGHT ? "R"
                                                               : "";
  rb_listing_row(listing, (const char *[]){kind ? kind->label : effect->quantity.key, channel,
                                           side_cell(console, &figures, &effect->a),
                                           side_cell(console, &figures, &effect->b),
                                           difference_cell(console, &figures),
                                           interval_cell(console, &figures),
                                           effect->word == RB_CHANGED ? "changed" : ""});
}

static bool same_condition(const rb_effect *a, const rb_effect *b)
{
  return strcmp(a->quantity.condition, b->quantity.condition) == 0;
}

static bool begins_condition(const rb_comparison *comparison, size_t at)
{
  for (size_t i = 0; i < at; i++)
    if (same_condition(&comparison->effects[i], &comparison->effects[at]))
      return false;
  return true;
}

// What stands in the listing: all that changed, and without --all only the brief ones besides.
static bool is_listed(const rb_effect *effect, bool all)
{
  bool empty = rb_is_empty_reading(effect->quantity.unit, effect->a.resolved || effect->b.resolved);
  return effect->word == RB_CHANGED ||
         (!empty && (all || rb_is_brief_reading(effect->quantity.key)));
}

static void list_condition(rb_console *console, rb_listing *listing,
                           const rb_comparison *comparison, size_t first, bool all)
{
  bool headed = false;
  for (size_t i = first; i < comparison->n_effects; i++) {
    const rb_effect *effect = &comparison->effects[i];
    if (!same_condition(effect, &comparison->effects[first]) || !is_listed(effect, all))
      continue;
    if (!headed)
      rb_listing_heading(
          listing, rb_cell(console, "%s", rb_condition_words(effect->quantity.condition).text));
    headed = true;
    add_effect(console, listing, effect);
  }
}

static void list_effects(rb_console *console, const rb_comparison *comparison, bool all)
{
  static const rb_listing_column columns[] = {{"", false}, {"", false},     {"A", true},
                                              {"B", true}, {"B − A", true}, {"95 % interval", true},
                                              {"", false}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  size_t n_hidden = 0;
  for (size_t i = 0; i < comparison->n_effects; i++) {
    n_hidden += !is_listed(&comparison->effects[i], all);
    if (begins_condition(comparison, i))
      list_condition(console, listing, comparison, i, all);
  }
  if (!console->json)
    fputc('\n', console->out);
  rb_listing_print(listing);
  if (n_hidden && !all)
    rb_console_tell(console, "\nNot listed: %zu readings that did not change. --all lists them.",
                    n_hidden);
}

// ---- compare

static rb_status compare(rb_console *console, const rb_arguments *arguments, rb_book *book,
                         rb_err *err)
{
  rb_lineup a, b;
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 0), &a, err));
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 1), &b, err));
  rb_comparison *comparison = rb_arena_alloc(console->arena, 1, sizeof *comparison);
  if (!comparison)
    return rb_fail(err, RB_NO_MEM, "Out of memory while comparing.");
  RB_TRY(rb_compare(book, a.name, b.name, console->arena, comparison, err));
  rb_heard *heard = NULL;
  size_t n_heard = 0;
  RB_TRY(rb_heard_of_swap(book, comparison, console->arena, &heard, &n_heard, err));
  rb_note_shown(console, (const int64_t[]){a.id, b.id}, 2);
  answer(console->answer, comparison, heard, n_heard);
  tell_sockets(console, comparison);
  rb_report report = {.kind = RB_REPORT_SWAP, .name = a.name, .against = b.name};
  RB_TRY(rb_tell_in_short(console, book, &report, err));
  for (size_t i = 0; i < comparison->n_notes; i++)
    rb_console_tell(console, "%s", comparison->notes[i]);
  rb_list_heard(console, comparison, heard, n_heard);
  list_effects(console, comparison, rb_argument_given(arguments, "all"));
  rb_console_say(console, "Next: `rollbook report \"%s\" \"%s\" --out swap.html`.", a.name, b.name);
  return RB_OK;
}

static rb_status run(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, compare, err);
}

static const rb_option options[] = {
    {.name = "all",
     .kind = RB_OPTION_FLAG,
     .help = "List every reading, not only the telling ones"},
};

static const rb_positional positionals[] = {
    {.name = "A", .help = "The line-up that was there before"},
    {.name = "B", .help = "The line-up that came in"},
};

const rb_command rb_command_compare = {
    .name = "compare",
    .summary = "Two line-ups side by side: what changed, and how surely",
    .description = "A change counts only against the spread between sittings: measure A, then B, "
                   "then A again. Every difference is B minus A.",
    .example = "rollbook compare \"As delivered\" \"Other inverter\"",
    RB_OPTIONS(options),
    RB_POSITIONALS(positionals),
    .run = run,
};
