// SPDX-License-Identifier: GPL-3.0-or-later
#include "synthetic_swap.h"

#include "rollbook/base/random.h"
#include "rollbook/base/text.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { N_SPECTRUM = 20000, N_RESPONSE = 400, N_LADDER = 24 };

// Key, A's value, B minus A, half of the interval, floor, whether it changed, unit.
static const struct invented {
  const char *key;
  double a, difference, half, floor;
  rb_effect_word word;
  rb_audible audible;
} invented[] = {
    {"level", 2.8284, 0.0002, 0.0011, 0, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"gain", 24.313, -0.021, 0.034, 0, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"thd", 0.3121, -0.151, 0.021, 0.0012, RB_CHANGED, RB_AUDIBLE_NO_GUIDE},
    {"thd_n", 0.3204, -0.149, 0.022, 0.002, RB_CHANGED, RB_AUDIBLE_NO_GUIDE},
    {"h2", -50.31, -6.12, 0.71, -118, RB_CHANGED, RB_AUDIBLE_PLAUSIBLE},
    {"h3", -66.40, 0.12, 0.44, -118, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"h4", -84.2, -1.7, 2.1, -119, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"h5", -88.9, 0.5, 1.9, -119, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"h6", -103.1, -2.2, 3.5, -120, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h7", -106.9, 0.3, 3.0, -120, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h8", -118.8, 0.0, 0.0, -120, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h9", -119.1, 0.0, 0.0, -120, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h10", -119.3, 0.0, 0.0, -120, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h2_phase", 12.4, -4.1, 7.5, 0, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h3_phase", -171.0, 1.1, 2.5, 0, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"h2_signed", 0.298, -0.149, 0.024, 0.0002, RB_CHANGED, RB_AUDIBLE_PLAUSIBLE},
    {"even_sum", 0.305, -0.15, 0.021, 0.0005, RB_CHANGED, RB_AUDIBLE_NO_GUIDE},
    {"odd_sum", 0.0479, 0.0004, 0.0022, 0.0005, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"noise", 0.000412, 0.000009, 0.000031, 1e-6, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"hum_1x", 0.000094, 0.0000021, 0.000012, 1e-6, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"hum_2x", 0.000231, -0.000004, 0.00002, 1e-6, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"bass_band", -0.112, 0.004, 0.011, 0, RB_NOT_RESOLVED, RB_AUDIBLE_UNLIKELY},
    {"low_3db", 9.41, 0.05, 0.21, 0, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
    {"output_impedance", 1.41, 0.02, 0.06, 0, RB_NOT_RESOLVED, RB_AUDIBLE_NO_GUIDE},
};

static const char *const conditions[] = {"tone-1k 1 W", "tone-1k 5 W", "tone-109 1 W",
                                         "tone-5k 1 W"};

static bool belongs(const char *key, size_t condition)
{
  const rb_reading_kind *kind = rb_reading_kind_find(key);
  return condition == 0 || strcmp(kind->group, "Distortion") == 0 || strcmp(key, "gain") == 0;
}

static rb_effect effect_of(const struct invented *row, rb_channel channel, size_t condition,
                           const synthetic_options *options)
{
  rb_effect effect = {
      .quantity.channel = channel, .p = 0.4, .p_holm = 1, .source = "", .confidence = ""};
  rb_text_copy(effect.quantity.key, RB_KEY_SIZE, row->key);
  rb_text_copy(effect.quantity.unit, RB_UNIT_SIZE, rb_reading_kind_find(row->key)->unit);
  rb_text_copy(effect.quantity.condition, RB_CONDITION_SIZE, conditions[condition]);
  double tilt = channel == RB_RIGHT ? 1.013 : 1.0;
  bool resolved = row->half > 0;
  bool decibels = strcmp(effect.quantity.unit, "dB") == 0 && row->floor < 0;
  double at =
      decibels ? row->a + 4.0 * (double)condition + (channel == RB_RIGHT) * 0.8 : row->a * tilt;
  effect.a = (rb_effect_side){.value = at, .resolved = resolved, .n_sittings = 2, .n_passes = 4};
  effect.b = effect.a;
  effect.b.value += row->difference * tilt;
  effect.b.n_sittings = 1;
  effect.b.n_passes = 2;
  if (!resolved)
    return effect;
  effect.difference = row->difference * tilt;
  effect.basis = options->one_sitting ? RB_BASIS_WITHIN : RB_BASIS_SITTINGS;
  effect.interval[0] = effect.difference - row->half;
  effect.interval[1] = effect.difference + row->half;
  effect.smallest_resolvable = row->half;
  effect.audible = row->audible;
  bool changed = row->word == RB_CHANGED && !options->nothing_changed && !options->one_sitting;
  effect.word = changed ? RB_CHANGED : RB_NOT_RESOLVED;
  effect.p = effect.p_holm = changed ? 0.001 : 0.4;
  return effect;
}

static void make_effects(const synthetic_options *options, rb_arena *arena, synthetic_swap *swap)
{
  rb_comparison *c = &swap->comparison;
  size_t most = RB_LEN(invented) * RB_LEN(conditions) * 2;
  c->effects = rb_arena_alloc(arena, most, sizeof *c->effects);
  swap->table.quantities = rb_arena_alloc(arena, most, sizeof(rb_quantity));
  swap->table.values = rb_arena_alloc(arena, most, sizeof(rb_table_value));
  swap->table.passes = rb_arena_alloc(arena, 1, sizeof(rb_table_pass));
  swap->table.n_passes = 1;
  for (size_t i = 0; i < RB_LEN(invented); i++)
    for (size_t k = 0; k < RB_LEN(conditions); k++)
      for (int channel = 0; channel < 2 && belongs(invented[i].key, k); channel++) {
        rb_effect effect = effect_of(&invented[i], (rb_channel)channel, k, options);
        c->n_changed += effect.word == RB_CHANGED;
        swap->table.quantities[c->n_effects] = effect.quantity;
        swap->table.values[c->n_effects] = (rb_table_value){.quantity = (uint32_t)c->n_effects,
                                                            .value = effect.a.value,
                                                            .uncertainty = invented[i].half / 2,
                                                            .floor = invented[i].floor,
                                                            .resolved = effect.a.resolved};
        c->effects[c->n_effects++] = effect;
      }
  swap->table.n_quantities = swap->table.n_values = c->n_effects;
}

static rb_curve_effect curve_named(const char *key, const char *condition, const char *x_unit,
                                   const char *y_unit, rb_channel channel, size_t n)
{
  rb_curve_effect curve = {.channel = channel, .n = n, .basis = RB_BASIS_SITTINGS};
  rb_text_copy(curve.key, sizeof curve.key, key);
  rb_text_copy(curve.condition, sizeof curve.condition, condition);
  rb_text_copy(curve.x_unit, sizeof curve.x_unit, x_unit);
  rb_text_copy(curve.y_unit, sizeof curve.y_unit, y_unit);
  return curve;
}

static void make_spectrum(rb_arena *arena, rb_channel channel, rb_curve_effect *curve)
{
  static const double levels_db[] = {0, -50.3, -66.4, -84, -89, -103, -107};
  rb_random random = rb_random_seeded(7 + (uint64_t)channel);
  double *x = rb_arena_doubles(arena, N_SPECTRUM), *a = rb_arena_doubles(arena, N_SPECTRUM);
  double *b = rb_arena_doubles(arena, N_SPECTRUM),
         *difference = rb_arena_doubles(arena, N_SPECTRUM);
  *curve = curve_named("spectrum", conditions[0], "Hz", "dB", channel, N_SPECTRUM);
  for (size_t i = 0; i < N_SPECTRUM; i++) {
    x[i] = 1.0 * (double)(i + 1);
    double hum = fmod(x[i], 50) == 0 && x[i] < 700 ? 30 * exp(-x[i] / 200) : 0;
    a[i] = -125 + 5 * rb_random_normal(&random) + 200 / (x[i] + 20) + hum;
    b[i] = -125 + 5 * rb_random_normal(&random) + 200 / (x[i] + 20) + hum;
    for (size_t k = 0; k < RB_LEN(levels_db); k++) {
      double away = fabs(x[i] - 1000.0 * (double)(k + 1));
      double skirt = levels_db[k] - 9 * away * away;
      a[i] = fmax(a[i], skirt);
      b[i] = fmax(b[i], skirt - (k == 1 ? 6.1 : 0));
    }
    difference[i] = b[i] - a[i];
  }
  curve->x = x;
  curve->a = a;
  curve->b = b;
  curve->difference = difference;
}

static void make_response(rb_arena *arena, rb_channel channel, rb_curve_effect *curve)
{
  double *values[5];
  for (size_t i = 0; i < RB_LEN(values); i++)
    values[i] = rb_arena_doubles(arena, N_RESPONSE);
  *curve = curve_named("response", "sweep 1 W", "Hz", "dB", channel, N_RESPONSE);
  for (size_t i = 0; i < N_RESPONSE; i++) {
    double x = 20 * pow(1000, (double)i / (N_RESPONSE - 1));
    values[0][i] = x;
    values[1][i] = -10 * log10(1 + pow(9.4 / x, 2)) - 10 * log10(1 + pow(x / 61000, 4));
    values[3][i] = 0.25 / (1 + pow(x / 60, 2)) - 0.3 * x * x / (x * x + 1.5e8);
    values[2][i] = values[1][i] + values[3][i];
    values[4][i] = 0.05 + 0.05 * x / 20000;
  }
  curve->x = values[0];
  curve->a = values[1];
  curve->b = values[2];
  curve->difference = values[3];
  curve->pointwise = curve->simultaneous = values[4];
}

static void make_ladder(rb_arena *arena, rb_channel channel, rb_curve_effect *curve)
{
  double *values[4];
  for (size_t i = 0; i < RB_LEN(values); i++)
    values[i] = rb_arena_doubles(arena, N_LADDER);
  *curve = curve_named("thd_by_level", "ladder-1k", "W", "%", channel, N_LADDER);
  for (size_t i = 0; i < N_LADDER; i++) {
    double w = 0.05 * pow(1000, (double)i / (N_LADDER - 1));
    values[0][i] = w;
    values[1][i] = 0.31 * sqrt(w) + 8 * pow(w / 42, 9);
    values[2][i] = 0.16 * sqrt(w) + 8 * pow(w / 41, 9);
    values[3][i] = values[2][i] - values[1][i];
  }
  curve->x = values[0];
  curve->a = values[1];
  curve->b = values[2];
  curve->difference = values[3];
}

static void make_curves(rb_arena *arena, synthetic_swap *swap)
{
  rb_comparison *c = &swap->comparison;
  c->curves = rb_arena_alloc(arena, 6, sizeof *c->curves);
  for (int channel = 0; channel < 2; channel++) {
    make_spectrum(arena, (rb_channel)channel, &c->curves[c->n_curves++]);
    make_response(arena, (rb_channel)channel, &c->curves[c->n_curves++]);
    make_ladder(arena, (rb_channel)channel, &c->curves[c->n_curves++]);
  }
  swap->results = rb_results_in(arena);
  for (size_t i = 0; i < c->n_curves; i++) {
    rb_curve curve = {.channel = c->curves[i].channel,
                      .x = c->curves[i].x,
                      .y = c->curves[i].a,
                      .n = c->curves[i].n};
    memcpy(curve.key, c->curves[i].key, sizeof curve.key);
    memcpy(curve.condition, c->curves[i].condition, sizeof curve.condition);
    memcpy(curve.x_unit, c->curves[i].x_unit, sizeof curve.x_unit);
    memcpy(curve.y_unit, c->curves[i].y_unit, sizeof curve.y_unit);
    if (rb_results_add_curve(&swap->results, &curve) != RB_OK)
      return;
  }
}

static rb_lineup lineup_of(const char *name, const char *inverter)
{
  rb_lineup lineup = {.id = 1, .n_fittings = 2};
  rb_text_copy(lineup.name, sizeof lineup.name, name);
  rb_text_copy(lineup.amplifier.name, RB_NAME_SIZE, "Workshop 40 (invented)");
  lineup.amplifier.rated_power_w = 40;
  lineup.amplifier.n_sockets = 2;
  lineup.amplifier.sockets[0] = (rb_socket){"V1", RB_VOLTAGE_AMPLIFIER, RB_LEFT, "6SL7"};
  lineup.amplifier.sockets[1] = (rb_socket){"V3", RB_PHASE_INVERTER, RB_LEFT, "6SN7"};
  lineup.fittings[0] =
      (rb_fitting){.socket = "V1", .tube = {.label = "6SL7 no. 4", .type = "6SL7"}};
  lineup.fittings[1] = (rb_fitting){.socket = "V3", .tube = {.type = "6SN7"}};
  rb_text_copy(lineup.fittings[1].tube.label, RB_NAME_SIZE, inverter);
  return lineup;
}

static void make_order(const synthetic_options *options, rb_arena *arena, synthetic_swap *swap)
{
  static const char *const times[] = {"2026-11-25T09:12:00Z", "2026-11-25T10:05:00Z",
                                      "2026-11-25T11:01:00Z"};
  rb_comparison *c = &swap->comparison;
  c->n_order = options->one_sitting ? 2 : 3;
  c->order = rb_arena_alloc(arena, c->n_order, sizeof *c->order);
  c->drift_removed = !options->one_sitting;
  rb_text_copy(c->order_text, sizeof c->order_text, options->one_sitting ? "A B" : "A B A");
  for (size_t i = 0; i < c->n_order; i++) {
    c->order[i] =
        (rb_order_step){.sitting_id = (int64_t)i + 1, .lineup = i == 1 ? 'B' : 'A', .n_passes = 2};
    rb_text_copy(c->order[i].started_at, sizeof c->order[i].started_at, times[i]);
    swap->sittings[i].bench = rb_bench_default();
    swap->sittings[i].bench.calibrated = true;
    swap->sittings[i].bench.calibration_pct = 0.5;
    rb_text_copy(swap->sittings[i].bench.rig, RB_URI_SIZE,
                 options->real_bench ? "card:Bench input" : "sim:seed=1");
    rb_text_copy(swap->sittings[i].started_at, sizeof swap->sittings[i].started_at, times[i]);
  }
}

void synthetic_swap_make(const synthetic_options *options, rb_arena *arena, synthetic_swap *swap)
{
  static const char *const notes[] = {"The first line-up was measured again at the end; its two "
                                      "sittings agree within their spread.",
                                      "These numbers are invented."};
  rb_comparison *c = &swap->comparison;
  *swap = (synthetic_swap){0};
  c->lineup_a = lineup_of(options->lineup_a, "6SN7 no. 1");
  c->lineup_b = lineup_of(options->lineup_b, "6SN7 no. 2");
  c->sockets_changed = rb_arena_alloc(arena, 1, sizeof *c->sockets_changed);
  c->n_sockets_changed = 1;
  c->sockets_changed[0] = (rb_socket_change){
      .socket = &c->lineup_a.amplifier.sockets[1], .tube_a = "6SN7 no. 1", .tube_b = "6SN7 no. 2"};
  c->notes = rb_arena_alloc(arena, RB_LEN(notes), sizeof *c->notes);
  for (size_t i = 0; i < RB_LEN(notes); i++)
    c->notes[c->n_notes++] = notes[i];
  make_order(options, arena, swap);
  make_effects(options, arena, swap);
  make_curves(arena, swap);
  swap->impressions[0] =
      (rb_impression){.attribute = "bass_level", .score = 1, .programme = "Double bass solo"};
  swap->impressions[1] =
      (rb_impression){.attribute = "midrange_clarity", .score = 2, .blind = true};
  swap->impressions[2] =
      (rb_impression){.attribute = "stage_depth", .score = -1, .after_numbers = true};
}
