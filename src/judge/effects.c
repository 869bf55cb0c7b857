// SPDX-License-Identifier: GPL-3.0-or-later
#include "effects.h"

#include "rollbook/base/units.h"
#include "rollbook/stats/holm.h"
#include "rollbook/stats/quantile.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double level_of_significance = 0.05;
// Differences under this share of the readings are the arithmetic's own.
static const double rounding_share = 1e-9;
// Decibels of a ratio of e.
static const double neper_db = 8.685889638065037;
// Below this many degrees of freedom the drift-free spread gives way to the one with drift in it.
static const double least_drift_free_df = 2;
// With fewer the mains voltage is not taken out: its slope would cost more than it gives.
static const double least_mains_df = 3;
// Root mean square of what the mains must have moved for its slope to mean anything.
static const double least_mains_vrms = 0.2;
// The captures' own noise is known by so many samples that its spread counts as known.
static const double capture_df = 1e6;

// One reading of one sitting, on the scale it is compared on.
typedef struct swap_cell {
  double n, mean, squares;
  double capture_variance; // sum over passes
  bool bound;
} swap_cell;

// One quantity that both line-ups have.
typedef struct swap_slot {
  size_t quantity; // in the table
  size_t kind;     // in the catalogue of readings
  size_t condition;
  swap_scale scale;
  double *references; // angles: those of each line-up are counted from its first one; NaN before
  bool on_side[2];
  swap_cell *cells; // one a sitting
} swap_slot;

typedef struct swap_work {
  const rb_table *table;
  rb_arena *arena;
  swap_sittings sittings;
  uint32_t n_lineups;
  swap_slot *slots; // one a quantity of the table, then only those of both line-ups
  size_t n_slots;
} swap_work;

// ---- gathering ----------------------------------------------------------------------------------

static bool counts(const swap_work *swap, const rb_table_value *value)
{
  const swap_sitting *sitting = &swap->sittings.all[swap->sittings.sitting_of_pass[value->pass]];
  return swap->table->passes[value->pass].settled || !sitting->settled;
}

static size_t catalogue_place(const char *key)
{
  size_t n = 0;
  const rb_reading_kind *all = rb_reading_kinds(&n), *kind = rb_reading_kind_find(key);
  return kind ? (size_t)(kind - all) : n;
}

static size_t first_with_condition(const rb_table *table, size_t quantity)
{
  size_t i = 0;
  while (strcmp(table->quantities[i].condition, table->quantities[quantity].condition) != 0)
    i++;
  return i;
}

// A harmonic's size in dB is compared as amplitude: reseating moves the amplitude by much the same
// whatever it is, but the decibels of a balanced pair's second harmonic by many times more than an
// unbalanced pair's, so that decibels of different line-ups have no spread in common.
static bool is_harmonic_size(const rb_quantity *quantity)
{
  const char *order = quantity->key + 1;
  return quantity->key[0] == 'h' && *order && order[strspn(order, "0123456789")] == '\0' &&
         strcmp(quantity->unit, "dB") == 0;
}

static rb_status make_slots(swap_work *swap)
{
  const rb_table *table = swap->table;
  swap->n_slots = table->n_quantities;
  swap->slots = rb_arena_alloc(swap->arena, swap->n_slots, sizeof *swap->slots);
  if (!swap->slots)
    return RB_NO_MEM;
  for (size_t i = 0; i < swap->n_slots; i++) {
    const rb_quantity *quantity = &table->quantities[i];
    swap->slots[i].scale = is_harmonic_size(quantity) ? SCALE_HARMONIC : swap_scale_of(quantity);
  }
  for (size_t i = 0; i < table->n_values; i++) {
    const rb_table_value *value = &table->values[i];
    swap_slot *slot = &swap->slots[value->quantity];
    uint32_t lineup = swap->sittings.all[swap->sittings.sitting_of_pass[value->pass]].lineup;
    if (slot->scale == SCALE_RATIO && value->value <= 0)
      slot->scale = SCALE_PLAIN;
    if (lineup < FIRST_OTHER_LINEUP && counts(swap, value))
      slot->on_side[lineup] = true;
  }
  return RB_OK;
}

static rb_status make_cells(swap_work *swap)
{
  for (size_t i = 0; i < swap->n_slots; i++) {
    swap_slot *slot = &swap->slots[i];
    slot->quantity = i;
    if (!slot->on_side[0] || !slot->on_side[1] || !swap_is_effect(swap->table->quantities[i].key))
      continue;
    slot->kind = catalogue_place(swap->table->quantities[i].key);
    slot->condition = first_with_condition(swap->table, i);
    slot->cells = rb_arena_alloc(swap->arena, swap->sittings.n, sizeof *slot->cells);
    slot->references = rb_arena_doubles(swap->arena, swap->n_lineups);
    if (!slot->cells || !slot->references)
      return RB_NO_MEM;
    for (uint32_t lineup = 0; lineup < swap->n_lineups; lineup++)
      slot->references[lineup] = NAN;
  }
  return RB_OK;
}

static double on_scale(swap_slot *slot, uint32_t lineup, double value)
{
  if (slot->scale == SCALE_RATIO)
    return log(value);
  if (slot->scale == SCALE_HARMONIC)
    return rb_ratio_from_db(value);
  if (slot->scale != SCALE_ANGLE)
    return value;
  double *reference = &slot->references[lineup];
  if (isnan(*reference))
    *reference = value;
  return *reference + rb_fold_deg(value - *reference);
}

static void fill_cells(swap_work *swap)
{
  for (size_t i = 0; i < swap->table->n_values; i++) {
    const rb_table_value *value = &swap->table->values[i];
    swap_slot *slot = &swap->slots[value->quantity];
    if (!slot->cells || !counts(swap, value))
      continue;
    uint32_t sitting = swap->sittings.sitting_of_pass[value->pass];
    swap_cell *cell = &slot->cells[sitting];
    double x = on_scale(slot, swap->sittings.all[sitting].lineup, value->value);
    double u = slot->scale == SCALE_RATIO      ? value->uncertainty / value->value
               : slot->scale == SCALE_HARMONIC ? x * value->uncertainty / neper_db
                                               : value->uncertainty;
    double step = x - cell->mean; // Welford, Technometrics 4(3), 1962
    cell->n += 1;
    cell->mean += step / cell->n;
    cell->squares += step * (x - cell->mean);
    cell->capture_variance += u * u;
    cell->bound = cell->bound || !value->resolved;
  }
}

static int by_catalogue(const void *left, const void *right)
{
  const swap_slot *a = left, *b = right;
  if (a->kind != b->kind)
    return a->kind < b->kind ? -1 : 1;
  if (a->condition != b->condition)
    return a->condition < b->condition ? -1 : 1;
  return a->quantity < b->quantity ? -1 : a->quantity > b->quantity;
}

static void keep_shared_slots(swap_work *swap)
{
  size_t kept = 0;
  for (size_t i = 0; i < swap->n_slots; i++)
    if (swap->slots[i].cells)
      swap->slots[kept++] = swap->slots[i];
  swap->n_slots = kept;
  if (kept)
    qsort(swap->slots, kept, sizeof *swap->slots, by_catalogue);
}

// ---- one effect ---------------------------------------------------------------------------------

// What the sittings of a slot say, ready for the statistics.
typedef struct swap_evidence {
  rb_sitting_mean *means; // sittings of A and B, then the resolved ones of others
  size_t n_swap, n;
  double *weights;
  bool shared_run, drift_removed, mains_removed;
  rb_spread within, between;
  rb_covariate_fit mains;
  double capture_variance; // of a sitting's mean, mean over A's and B's
} swap_evidence;

static rb_sitting_mean mean_of(const swap_sitting *sitting, const swap_cell *cell)
{
  return (rb_sitting_mean){.lineup = sitting->lineup,
                           .run = sitting->run,
                           .time_s = sitting->time_s,
                           .mean = cell->mean,
                           .weight = cell->n,
                           .covariate = sitting->mains_vrms};
}

// B's angles are moved by whole turns until they stand nearest to A's.
static double turn_of(const swap_slot *slot, uint32_t lineup)
{
  if (slot->scale != SCALE_ANGLE || lineup != LINEUP_B)
    return 0;
  double apart = slot->references[LINEUP_B] - slot->references[LINEUP_A];
  return rb_fold_deg(apart) - apart;
}

// Means of A and B first. With `resolved_only` bounds are left out: they have no spread.
static size_t take_means(const swap_work *swap, const swap_slot *slot, bool of_swap,
                         bool resolved_only, rb_sitting_mean *means)
{
  size_t n = 0;
  for (size_t i = 0; i < swap->sittings.n; i++) {
    const swap_sitting *sitting = &swap->sittings.all[i];
    const swap_cell *cell = &slot->cells[i];
    if (cell->n == 0 || (sitting->lineup < FIRST_OTHER_LINEUP) != of_swap ||
        (resolved_only && cell->bound))
      continue;
    means[n] = mean_of(sitting, cell);
    means[n++].mean += turn_of(slot, sitting->lineup);
  }
  return n;
}

static void pool_within(const swap_work *swap, const swap_slot *slot, swap_evidence *evidence)
{
  double n_swap = 0;
  for (size_t i = 0; i < swap->sittings.n; i++) {
    const swap_cell *cell = &slot->cells[i];
    if (cell->n > 1 && !cell->bound)
      rb_spread_add(&evidence->within, cell->squares, cell->n - 1);
    if (cell->n > 0 && swap->sittings.all[i].lineup < FIRST_OTHER_LINEUP) {
      evidence->capture_variance += cell->capture_variance / (cell->n * cell->n);
      n_swap += 1;
    }
  }
  evidence->capture_variance /= n_swap;
}

// Takes the mains voltage out where it was entered for every sitting and has moved.
static rb_status fit_mains(rb_sitting_mean *resolved, size_t n, rb_arena *arena,
                           swap_evidence *evidence)
{
  size_t n_entered = 0;
  for (size_t i = 0; i < evidence->n_swap; i++)
    if (evidence->means[i].covariate <= 0)
      return RB_OK;
  for (size_t i = 0; i < n; i++)
    if (resolved[i].covariate > 0)
      resolved[n_entered++] = resolved[i];
  RB_TRY(rb_covariate_fit_sittings(resolved, n_entered, arena, &evidence->mains));
  double df = evidence->mains.spread.df;
  evidence->mains_removed =
      evidence->drift_removed && df >= least_mains_df &&
      evidence->mains.sum_squares >= (df + 1) * least_mains_vrms * least_mains_vrms;
  if (evidence->mains_removed)
    evidence->between = evidence->mains.spread;
  return RB_OK;
}

static rb_status gather_evidence(const swap_work *swap, const swap_slot *slot,
                                 swap_evidence *evidence)
{
  rb_arena *arena = swap->arena;
  rb_sitting_mean *resolved = rb_arena_alloc(arena, swap->sittings.n, sizeof *resolved);
  evidence->means = rb_arena_alloc(arena, swap->sittings.n, sizeof *evidence->means);
  evidence->weights = rb_arena_doubles(arena, swap->sittings.n);
  if (!resolved || !evidence->means || !evidence->weights)
    return RB_NO_MEM;
  evidence->n_swap = take_means(swap, slot, true, false, evidence->means);
  RB_TRY(rb_swap_weights(evidence->means, evidence->n_swap, LINEUP_A, LINEUP_B, arena,
                         evidence->weights, &evidence->shared_run, &evidence->drift_removed));
  pool_within(swap, slot, evidence);
  size_t n = take_means(swap, slot, true, true, resolved);
  n += take_means(swap, slot, false, true, resolved + n);
  if (evidence->shared_run)
    RB_TRY(rb_spread_without_drift(resolved, n, arena, &evidence->between));
  if (!evidence->shared_run || evidence->between.df < least_drift_free_df)
    RB_TRY(rb_spread_of_sittings(resolved, n, arena, &evidence->between));
  RB_TRY(fit_mains(resolved, n, arena, evidence));
  // Readings that repeat to the last digit are still no better than their captures.
  if (evidence->between.variance <= 0)
    evidence->between.variance = evidence->capture_variance;
  if (evidence->within.variance <= 0)
    evidence->within.variance = evidence->capture_variance;
  return RB_OK;
}

static rb_difference judge_evidence(const swap_evidence *evidence, rb_basis *basis)
{
  if (evidence->mains_removed) {
    *basis = RB_BASIS_SITTINGS;
    return rb_swap_difference_covariate(evidence->means, evidence->n_swap, evidence->weights,
                                        &evidence->mains, &evidence->within);
  }
  if (evidence->between.df >= 1) {
    *basis = RB_BASIS_SITTINGS;
    return rb_swap_difference(evidence->means, evidence->n_swap, evidence->weights,
                              &evidence->between, &evidence->within);
  }
  if (evidence->within.df >= 1) {
    *basis = RB_BASIS_WITHIN;
    return rb_swap_difference_within(evidence->means, evidence->n_swap, evidence->weights,
                                     &evidence->within);
  }
  *basis = RB_BASIS_CAPTURE;
  rb_spread capture = {.variance = evidence->capture_variance, .df = capture_df, .weight = 1};
  return rb_swap_difference(evidence->means, evidence->n_swap, evidence->weights, &capture,
                            &(rb_spread){0});
}

// Mean over the sittings that the difference is made of.
static rb_effect_side side_of(const swap_work *swap, const swap_slot *slot,
                              const swap_evidence *evidence, uint32_t lineup)
{
  rb_effect_side side = {.resolved = true};
  double sum = 0;
  for (size_t i = 0, k = 0; i < swap->sittings.n; i++) {
    const swap_cell *cell = &slot->cells[i];
    if (swap->sittings.all[i].lineup >= FIRST_OTHER_LINEUP || cell->n == 0)
      continue;
    double weight = evidence->weights[k++];
    if (swap->sittings.all[i].lineup != lineup || weight == 0)
      continue;
    side.n_sittings++;
    side.n_passes += (size_t)cell->n;
    side.resolved = side.resolved && !cell->bound;
    sum += cell->mean;
  }
  double mean = sum / (double)side.n_sittings;
  side.value = slot->scale == SCALE_RATIO      ? exp(mean)
               : slot->scale == SCALE_ANGLE    ? rb_fold_deg(mean)
               : slot->scale == SCALE_HARMONIC ? rb_db_from_ratio(mean)
                                               : mean;
  return side;
}

// An amplitude that may be nothing, in decibels: this share of what it was before stands for it.
static const double least_share = 1e-3;

// A difference on the scale of comparison, in the reading's unit.
static double in_unit(const swap_slot *slot, double a, double difference)
{
  if (slot->scale == SCALE_HARMONIC)
    return rb_db_from_ratio(fmax(1 + difference / rb_ratio_from_db(a), least_share));
  return slot->scale == SCALE_RATIO ? a * expm1(difference) : difference;
}

// The change in decibels, up or down, that a change of the amplitude by `share` of it makes.
static double harmonic_change_db(double share, bool up)
{
  return up ? rb_db_from_ratio(1 + share) : -rb_db_from_ratio(fmax(1 - share, least_share));
}

// What one step on the scale of comparison is in the reading's unit, at the value `at`.
static double unit_per_step(const swap_slot *slot, double at)
{
  if (slot->scale == SCALE_HARMONIC)
    return neper_db / rb_ratio_from_db(at);
  return slot->scale == SCALE_RATIO ? at : 1;
}

static void write_numbers(const swap_slot *slot, const rb_difference *found,
                          const swap_evidence *evidence, rb_effect *effect)
{
  double a = effect->a.value;
  double slope = unit_per_step(slot, a + effect->difference);
  double unit = unit_per_step(slot, a);
  effect->interval[0] = in_unit(slot, a, found->interval[0]);
  effect->interval[1] = in_unit(slot, a, found->interval[1]);
  effect->standard_error = slope * found->standard_error;
  effect->df = found->df;
  effect->smallest_resolvable =
      slot->scale == SCALE_HARMONIC
          ? harmonic_change_db((found->interval[1] - found->interval[0]) / 2 / rb_ratio_from_db(a),
                               effect->difference > 0)
          : (effect->interval[1] - effect->interval[0]) / 2;
  effect->p = found->p;
  double within = evidence->within.df > 0 ? evidence->within.variance : 0;
  double between = evidence->between.df > 0 ? evidence->between.variance : 0;
  if (between > 0 && evidence->between.weight > 0)
    between = fmax(between - within / evidence->between.weight, 0);
  effect->within_df = evidence->within.df;
  effect->between_df = evidence->between.df;
  effect->spread_within = unit * sqrt(within);
  effect->spread_between = unit * sqrt(between);
}

// True where the bound lies on the far side of the change, so that the change is at least as large.
static bool bound_tells(const rb_effect *effect)
{
  return (!effect->a.resolved && effect->difference > 0) ||
         (!effect->b.resolved && effect->difference < 0);
}

static rb_status make_effect(const swap_work *swap, const swap_slot *slot, rb_effect *effect,
                             rb_comparison *comparison)
{
  *effect = (rb_effect){.quantity = swap->table->quantities[slot->quantity],
                        .p = 1,
                        .p_holm = 1,
                        .source = "",
                        .confidence = ""};
  swap_evidence evidence = {0};
  rb_basis basis = RB_BASIS_NONE;
  RB_TRY(gather_evidence(swap, slot, &evidence));
  effect->a = side_of(swap, slot, &evidence, LINEUP_A);
  effect->b = side_of(swap, slot, &evidence, LINEUP_B);
  rb_difference found = judge_evidence(&evidence, &basis);
  effect->difference = in_unit(slot, effect->a.value, found.estimate);
  // Taking a drift out of a constant leaves rounding, with no spread to judge it by.
  if (fabs(effect->difference) <=
      rounding_share * fmax(fabs(effect->a.value), fabs(effect->b.value)))
    found.p = 1;
  effect->is_bound = !effect->a.resolved || !effect->b.resolved;
  if (effect->is_bound && (slot->scale == SCALE_ANGLE ||
                           (!effect->a.resolved && !effect->b.resolved) || !bound_tells(effect)))
    return RB_OK;
  effect->basis = basis;
  comparison->drift_removed = comparison->drift_removed || evidence.drift_removed;
  comparison->mains_removed = comparison->mains_removed || evidence.mains_removed;
  write_numbers(slot, &found, &evidence, effect);
  const rb_guide *guide = rb_guide_find(effect->quantity.key);
  if (guide) {
    effect->audible =
        rb_guide_judge(guide, effect->quantity.unit, effect->a.value, effect->difference);
    effect->source = guide->source;
    effect->confidence = guide->confidence;
  }
  return RB_OK;
}

// ---- all effects --------------------------------------------------------------------------------

// Readings that say something of their own; what follows from them, and what seldom matters, has a
// smaller share of the error allowed to the whole set.
static double weight_of(const char *key)
{
  static const char *const leading[] = {"h2_signed",
                                        "gain",
                                        "polarity",
                                        "thd",
                                        "h2",
                                        "h3",
                                        "noise",
                                        "noise_a",
                                        "hum_1x",
                                        "hum_2x",
                                        "imd_mod",
                                        "imd_diff2",
                                        "imd_diff3",
                                        "bass_band",
                                        "mid_band",
                                        "treble_band",
                                        "separation",
                                        "balance",
                                        "output_impedance",
                                        "crackle_rate"};
  for (size_t i = 0; i < RB_LEN(leading); i++)
    if (strcmp(key, leading[i]) == 0)
      return 1;
  return 0.1;
}

// The change that Holm's first step would have passed, as a multiple of the interval's half-width.
static void widen(rb_effect *effect, double all_weights)
{
  double one = rb_student_quantile(1 - level_of_significance / 2, effect->df);
  double share = weight_of(effect->quantity.key) / all_weights;
  double many = rb_student_quantile(1 - level_of_significance / 2 * share, effect->df);
  if (!isfinite(one) || !isfinite(many))
    return;
  if (is_harmonic_size(&effect->quantity)) {
    const bool up = effect->difference > 0;
    const double ratio =
        rb_ratio_from_db(up ? effect->smallest_resolvable : -effect->smallest_resolvable);
    effect->smallest_resolvable = harmonic_change_db(fabs(ratio - 1) * many / one, up);
  } else
    effect->smallest_resolvable *= many / one;
}

// An angle is shown with its interval but never called changed: near a null of its harmonic its
// spread has no bound. The signed second harmonic says the same on a sound scale.
static bool is_judged(const rb_effect *effect)
{
  return effect->basis == RB_BASIS_SITTINGS && strcmp(effect->quantity.unit, "deg") != 0;
}

static rb_status adjust(rb_comparison *comparison, rb_arena *arena)
{
  size_t n = 0;
  double all_weights = 0;
  double *p = rb_arena_doubles(arena, comparison->n_effects);
  double *weights = rb_arena_doubles(arena, comparison->n_effects);
  double *adjusted = rb_arena_doubles(arena, comparison->n_effects);
  if (!p || !weights || !adjusted)
    return RB_NO_MEM;
  for (size_t i = 0; i < comparison->n_effects; i++) {
    if (!is_judged(&comparison->effects[i]))
      continue;
    p[n] = comparison->effects[i].p;
    all_weights += weights[n++] = weight_of(comparison->effects[i].quantity.key);
  }
  RB_TRY(rb_holm(p, weights, n, arena, adjusted));
  for (size_t i = 0, k = 0; i < comparison->n_effects; i++) {
    rb_effect *effect = &comparison->effects[i];
    if (!is_judged(effect))
      continue;
    effect->p_holm = adjusted[k++];
    effect->word = effect->p_holm < level_of_significance ? RB_CHANGED : RB_NOT_RESOLVED;
    comparison->n_changed += effect->word == RB_CHANGED;
    widen(effect, all_weights);
  }
  return RB_OK;
}

// "A", "A B", "A B A" and, where the room ends, "A B A …".
static void add_letter(char *text, size_t size, char letter)
{
  static const char more[] = " \u2026";
  size_t length = strlen(text);
  bool is_last = length + 2 + sizeof more > size;
  if (is_last && strcmp(text + length - strlen(more), more) == 0)
    return;
  snprintf(text + length, size - length, is_last ? "%s" : "%s%c",
           is_last  ? more
           : length ? " "
                    : "",
           letter);
}

static rb_status make_order(const swap_work *swap, rb_comparison *comparison)
{
  comparison->order = rb_arena_alloc(swap->arena, swap->sittings.n, sizeof *comparison->order);
  if (!comparison->order)
    return RB_NO_MEM;
  for (size_t i = 0; i < swap->sittings.n; i++) {
    const swap_sitting *sitting = &swap->sittings.all[i];
    if (sitting->lineup >= FIRST_OTHER_LINEUP)
      continue;
    rb_order_step *step = &comparison->order[comparison->n_order++];
    step->sitting_id = sitting->sitting_id;
    step->lineup = sitting->lineup == LINEUP_A ? 'A' : 'B';
    step->n_passes = sitting->n_passes;
    memcpy(step->started_at, sitting->started_at, sizeof step->started_at);
    add_letter(comparison->order_text, sizeof comparison->order_text, step->lineup);
  }
  return RB_OK;
}

static rb_status make_effects(swap_work *swap, rb_comparison *comparison)
{
  comparison->effects = rb_arena_alloc(swap->arena, swap->n_slots, sizeof(rb_effect));
  if (!comparison->effects)
    return RB_NO_MEM;
  for (size_t i = 0; i < swap->n_slots; i++)
    RB_TRY(make_effect(swap, &swap->slots[i], &comparison->effects[comparison->n_effects++],
                       comparison));
  return adjust(comparison, swap->arena);
}

// ---- notes --------------------------------------------------------------------------------------

enum { MOST_NOTES = 32 };

rb_status swap_note(rb_comparison *comparison, rb_arena *arena, const char *format, ...)
{
  char words[1024];
  va_list values;
  va_start(values, format);
  vsnprintf(words, sizeof words, format, values);
  va_end(values);
  if (!comparison->notes)
    comparison->notes = rb_arena_alloc(arena, MOST_NOTES, sizeof *comparison->notes);
  if (comparison->n_notes == MOST_NOTES)
    return RB_OK;
  char *note = comparison->notes ? rb_arena_copy(arena, words) : NULL;
  if (!note)
    return RB_NO_MEM;
  comparison->notes[comparison->n_notes++] = note;
  return RB_OK;
}

static bool has_return(const rb_comparison *comparison)
{
  for (size_t i = 1; i + 1 < comparison->n_order; i++)
    if (comparison->order[i].lineup != comparison->order[0].lineup)
      for (size_t k = i + 1; k < comparison->n_order; k++)
        if (comparison->order[k].lineup == comparison->order[0].lineup)
          return true;
  return false;
}

static rb_status note_basis(rb_comparison *comparison, rb_arena *arena)
{
  bool any_sittings = false;
  double least_df = INFINITY;
  for (size_t i = 0; i < comparison->n_effects; i++)
    if (comparison->effects[i].basis == RB_BASIS_SITTINGS) {
      any_sittings = true;
      least_df = fmin(least_df, comparison->effects[i].df);
    }
  if (!any_sittings)
    return swap_note(comparison, arena,
                     "The spread includes no reseating: no line-up of this amplifier has a second "
                     "sitting yet, so no difference can be called real. Measure a line-up again "
                     "after power off, tubes out and in, power on.");
  if (least_df < 3)
    return swap_note(comparison, arena,
                     "The spread between sittings stands on few repeats (%s of freedom), "
                     "so only large changes can be shown. Every further sitting of a line-up of "
                     "this amplifier sharpens it.",
                     least_df < 1   ? "less than one degree"
                     : least_df < 2 ? "one degree"
                                    : "two degrees");
  return RB_OK;
}

// A1 against A2: what moved by more than the swap itself did.
static rb_status note_return(const swap_work *swap, rb_comparison *comparison)
{
  if (!has_return(comparison))
    return swap_note(comparison, swap->arena,
                     "No return to the first line-up: a drift of the amplifier or the mains over "
                     "the session would look like a change.");
  uint32_t first = comparison->order[0].lineup == 'A' ? LINEUP_A : LINEUP_B;
  size_t moved = 0;
  for (size_t k = 0; k < comparison->n_effects; k++) {
    const swap_cell *begin = NULL, *end = NULL;
    for (size_t i = 0; i < swap->sittings.n; i++) {
      const swap_cell *cell = &swap->slots[k].cells[i];
      if (swap->sittings.all[i].lineup != first || cell->n == 0)
        continue;
      begin = begin ? begin : cell;
      end = cell;
    }
    const rb_effect *effect = &comparison->effects[k];
    double back = begin && begin != end
                      ? in_unit(&swap->slots[k], effect->a.value, end->mean - begin->mean)
                      : 0;
    moved += fabs(back) > fabs(effect->difference);
  }
  return swap_note(comparison, swap->arena,
                   "Back at line-up %c, %zu of %zu readings differ from its first sitting by more "
                   "than the two line-ups differ.",
                   comparison->order[0].lineup, moved, comparison->n_effects);
}

static rb_status note_passes(const swap_work *swap, rb_comparison *comparison)
{
  bool unsettled = false;
  size_t bounds = 0, single = 0;
  for (size_t i = 0; i < swap->sittings.n; i++)
    unsettled = unsettled || (swap->sittings.all[i].lineup < FIRST_OTHER_LINEUP &&
                              !swap->sittings.all[i].settled);
  for (size_t i = 0; i < comparison->n_effects; i++) {
    bounds += comparison->effects[i].is_bound;
    single += comparison->effects[i].basis == RB_BASIS_CAPTURE;
  }
  if (unsettled)
    RB_TRY(swap_note(comparison, swap->arena,
                     "A sitting has no pass taken after warm-up; its readings may still drift."));
  if (bounds)
    RB_TRY(
        swap_note(comparison, swap->arena,
                  "%zu readings lie at or under the floor of the bench on one side or both; they "
                  "are bounds.",
                  bounds));
  if (single)
    RB_TRY(swap_note(comparison, swap->arena,
                     "With one pass in each sitting the spread of repeats is not known."));
  return RB_OK;
}

static const double most_apart_s = 180;

// Readings wander with the time since power-on; sittings should be measured at the same.
static rb_status note_times(const swap_work *swap, rb_comparison *comparison)
{
  double least_s = INFINITY, most_s = -INFINITY;
  for (size_t i = 0; i < swap->sittings.n; i++) {
    if (swap->sittings.all[i].lineup >= FIRST_OTHER_LINEUP)
      continue;
    least_s = fmin(least_s, swap->sittings.all[i].on_s);
    most_s = fmax(most_s, swap->sittings.all[i].on_s);
  }
  if (comparison->mains_removed)
    RB_TRY(swap_note(comparison, swap->arena,
                     "The mains voltage was entered for every sitting; what readings follow it is "
                     "taken out."));
  if (most_s - least_s <= most_apart_s)
    return RB_OK;
  return swap_note(comparison, swap->arena,
                   "Sittings were measured at different times after power-on (%.0f to %.0f "
                   "minutes); warming up may pass for a change.",
                   least_s / 60, most_s / 60);
}

static rb_status note_missing(const swap_work *swap, size_t n_one_sided, rb_comparison *comparison)
{
  if (!n_one_sided)
    return RB_OK;
  return swap_note(comparison, swap->arena,
                   "%zu readings were taken on only one of the two line-ups and are left out.",
                   n_one_sided);
}

static size_t count_one_sided(const swap_work *swap)
{
  size_t n = 0;
  for (size_t i = 0; i < swap->n_slots; i++)
    n += swap->slots[i].on_side[0] != swap->slots[i].on_side[1];
  return n;
}

static rb_status compare_table(swap_work *swap, rb_comparison *comparison)
{
  RB_TRY(swap_sittings_gather(swap->table, comparison->lineup_a.id, comparison->lineup_b.id,
                              swap->arena, &swap->sittings));
  for (size_t i = 0; i < swap->sittings.n; i++)
    if (swap->sittings.all[i].lineup >= swap->n_lineups)
      swap->n_lineups = swap->sittings.all[i].lineup + 1;
  RB_TRY(make_slots(swap));
  size_t n_one_sided = count_one_sided(swap);
  RB_TRY(make_cells(swap));
  fill_cells(swap);
  keep_shared_slots(swap);
  RB_TRY(make_order(swap, comparison));
  RB_TRY(make_effects(swap, comparison));
  RB_TRY(note_basis(comparison, swap->arena));
  RB_TRY(note_return(swap, comparison));
  RB_TRY(note_passes(swap, comparison));
  RB_TRY(note_times(swap, comparison));
  return note_missing(swap, n_one_sided, comparison);
}

rb_status rb_compare_table(const rb_table *table, rb_arena *arena, rb_comparison *comparison,
                           rb_err *err)
{
  swap_work swap = {.table = table, .arena = arena};
  rb_status status = compare_table(&swap, comparison);
  if (status == RB_NO_MEM)
    return rb_fail(err, status, "Memory ran out while comparing line-ups.");
  return status == RB_OK ? RB_OK : rb_fail(err, status, "The line-ups could not be compared.");
}
