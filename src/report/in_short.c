// SPDX-License-Identifier: GPL-3.0-or-later
#include "in_short.h"

#include "rollbook/base/text.h"
#include "rollbook/report/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_TOLD = 3, LEAST_SENTENCES = 4 };
static const double COARSE_DB = 3, COARSE_SHARE = 0.5;

static const rb_channel channels[] = {RB_LEFT, RB_RIGHT, RB_BOTH};

// What a customer would ask about, in the order of asking where nothing changed. `subject` begins
// the sentence; `up` and `down` say what a change means, "" where only the number speaks.
static const struct topic {
  const char *key;
  const char *subject;
  const char *up, *down;
  bool main_condition; // Of the tone the harmonics are shown for; else wherever it was measured.
} topics[] = {
    {"bass_band", "Bass into a resistor, 30 to 120 Hz,", "", "", false},
    {"h2", "The second harmonic", "the two halves of the wave differ more",
     "the two halves of the wave are more alike", true},
    {"h3", "The third harmonic", "both halves of the wave are bent more",
     "both halves of the wave are bent less", true},
    {"gain", "Gain", "", "", true},
    {"output_impedance", "Output impedance",
     "the loudspeaker is held less firmly, and bass at its resonance rises",
     "the loudspeaker is held more firmly, and bass at its resonance falls", false},
    {"noise_a", "Noise as the ear weighs it", "", "", false},
    {"noise", "Noise", "", "", true},
    {"hum_2x", "Hum at twice the mains frequency", "", "", true},
    {"hum_1x", "Hum at the mains frequency", "", "", true},
    {"balance", "Left against right", "", "", false},
    {"treble_band", "Treble, 8 to 20 kHz,", "", "", false},
    {"power_1pct", "Power at 1 % distortion", "", "", false},
};

static const rb_effect *effect_of(const shown *page, const struct topic *topic, rb_channel channel)
{
  const char *condition = topic->main_condition ? shown_main_condition(page) : NULL;
  const shown_row *row = shown_find(page, topic->key, channel, condition);
  return row ? row->effect : NULL;
}

static bool is_changed(const rb_effect *effect)
{
  return effect && effect->word == RB_CHANGED;
}

// How far a change stands out of its interval; 0 where nothing changed.
static double weight(const rb_effect *effect)
{
  double half = effect ? 0.5 * (effect->interval[1] - effect->interval[0]) : 0;
  return is_changed(effect) && half > 0 ? fabs(effect->difference) / half : 0;
}

static const char *place_words(rb_channel channel)
{
  const char *const words[] = {" on the left", " on the right", ""};
  return words[channel];
}

// "fell by 6.1 dB (5.4 to 6.8) on the left"; the verb only where it was not said already.
static void add_change(rb_text *text, const rb_effect *effect, const rb_effect *before)
{
  bool same_way = before && is_changed(before) && before->difference * effect->difference > 0;
  const char *unit = rb_unit_of_change(effect->quantity.unit);
  if (!same_way)
    rb_text_add(text, effect->difference < 0 ? "fell by " : "rose by ");
  rb_text_printf(text, "%s%s (%s)%s", effect->is_bound ? "at least " : "",
                 rb_figure_change_size(effect->difference, effect->interval, unit).text,
                 rb_figure_interval_size(effect->interval, unit).text,
                 place_words(effect->quantity.channel));
}

static double farthest(const rb_effect *effect)
{
  return fmax(fabs(effect->interval[0]), fabs(effect->interval[1]));
}

// An interval that holds everything a reader could care about: nobody is told that distortion did
// not move by more than 23 dB.
static bool is_coarse(const rb_effect *effect)
{
  if (strncmp(effect->quantity.unit, "dB", 2) == 0)
    return farthest(effect) > COARSE_DB;
  return farthest(effect) > COARSE_SHARE * fabs(effect->a.value);
}

// Two digits, rounded up so that it stays a bound.
static rb_figure bound_words(double bound, const char *unit)
{
  double steps = pow(10, rb_decimals_for(bound, bound));
  double rounded = ceil(bound * steps - 1e-6) / steps;
  return rb_figure_rounded(rounded, rounded, unit);
}

static void add_no_change(rb_text *text, const rb_effect *effect)
{
  const char *unit = rb_unit_of_change(effect->quantity.unit);
  const char *place = place_words(effect->quantity.channel);
  if (effect->basis == RB_BASIS_NONE)
    rb_text_printf(text, "was too small to measure%s", place);
  else if (effect->basis != RB_BASIS_SITTINGS)
    rb_text_printf(text, "cannot be judged without a second sitting%s", place);
  else if (is_coarse(effect))
    rb_text_printf(text, "cannot be judged yet%s (anything from %s would fit these sittings)",
                   place, rb_figure_interval(effect->interval, unit).text);
  else
    rb_text_printf(text, "did not move by more than %s%s", bound_words(farthest(effect), unit).text,
                   place);
}

// "did not move by more than 0.4 dB on either side": the larger of both, told once.
static bool add_neither(rb_text *text, const rb_effect *left, const rb_effect *right)
{
  bool neither =
      left && right && left->basis == right->basis && !is_changed(left) && !is_changed(right);
  bool coarse =
      neither && left->basis == RB_BASIS_SITTINGS && (is_coarse(left) || is_coarse(right));
  if (!neither || coarse)
    return false;
  rb_effect both = farthest(left) > farthest(right) ? *left : *right;
  both.quantity.channel = RB_BOTH;
  rb_text_add(text, " ");
  add_no_change(text, &both);
  rb_text_add(text, " on either side");
  return true;
}

// Both channels went the same way: their meaning can be told once.
static const char *meaning(const struct topic *topic, const rb_effect *const effects[])
{
  int up = 0, down = 0;
  for (size_t c = 0; c < RB_LEN(channels); c++)
    if (is_changed(effects[c]))
      *(effects[c]->difference > 0 ? &up : &down) += 1;
  return up && !down ? topic->up : down && !up ? topic->down : "";
}

static void write_topic(const shown *page, const struct topic *topic, rb_text *text)
{
  const rb_effect *effects[RB_LEN(channels)], *before = NULL;
  for (size_t c = 0; c < RB_LEN(channels); c++)
    effects[c] = effect_of(page, topic, channels[c]);
  rb_text_add(text, topic->subject);
  bool told = add_neither(text, effects[0], effects[1]);
  for (size_t c = 0; c < RB_LEN(channels) && !told; c++) {
    if (!effects[c])
      continue;
    rb_text_add(text, before ? " and " : " ");
    if (is_changed(effects[c]))
      add_change(text, effects[c], before);
    else
      add_no_change(text, effects[c]);
    before = effects[c];
  }
  const char *why = meaning(topic, effects);
  rb_text_printf(text, "%s%s.", why[0] ? ": " : "", why);
}

// Takes the text over.
static void say(in_short *out, rb_text *text)
{
  if (out->n < MOST_SENTENCES && text->bytes && !text->failed)
    rb_text_copy(out->sentences[out->n++], SENTENCE_SIZE, text->bytes);
  rb_text_free(text);
}

static bool knows_reseating(const rb_comparison *comparison)
{
  for (size_t i = 0; i < comparison->n_effects; i++)
    if (comparison->effects[i].basis == RB_BASIS_SITTINGS)
      return true;
  return false;
}

static void say_verdict(const rb_comparison *comparison, in_short *out)
{
  rb_text text = {0};
  if (!knows_reseating(comparison))
    rb_text_add(&text, "Nothing can be called a change yet: how much readings move when the same "
                       "tubes are taken out "
                       "and put back is not known for this amplifier. Another sitting of either "
                       "line-up will tell.");
  else if (comparison->n_changed)
    rb_text_printf(
        &text,
        "%zu of %zu readings changed by more than putting the same tubes back in would have shown.",
        comparison->n_changed, comparison->n_effects);
  else
    rb_text_printf(&text,
                   "None of %zu readings changed by more than putting the same tubes back in would "
                   "have shown.",
                   comparison->n_effects);
  say(out, &text);
}

static double topic_weight(const shown *page, const struct topic *topic)
{
  double heaviest = 0;
  for (size_t c = 0; c < RB_LEN(channels); c++)
    heaviest = fmax(heaviest, weight(effect_of(page, topic, channels[c])));
  return heaviest;
}

static bool topic_is_measured(const shown *page, const struct topic *topic)
{
  for (size_t c = 0; c < RB_LEN(channels); c++)
    if (effect_of(page, topic, channels[c]))
      return true;
  return false;
}

static void say_topic(const shown *page, size_t index, bool *told, in_short *out)
{
  rb_text text = {0};
  write_topic(page, &topics[index], &text);
  told[index] = true;
  say(out, &text);
}

static void say_changes(const shown *page, bool *told, in_short *out)
{
  for (int round = 0; round < MOST_TOLD; round++) {
    size_t best = 0;
    double heaviest = 0;
    for (size_t i = 0; i < RB_LEN(topics); i++) {
      double weighs = told[i] ? 0 : topic_weight(page, &topics[i]);
      if (weighs > heaviest) {
        heaviest = weighs;
        best = i;
      }
    }
    if (heaviest > 0)
      say_topic(page, best, told, out);
  }
}

static void say_what_stayed(const shown *page, bool *told, in_short *out)
{
  for (size_t i = 0; i < RB_LEN(topics) && out->n < LEAST_SENTENCES; i++)
    if (!told[i] && topic_is_measured(page, &topics[i]) && topic_weight(page, &topics[i]) == 0)
      say_topic(page, i, told, out);
}

static void say_audible(const rb_comparison *comparison, in_short *out)
{
  size_t plausible = 0, unlikely = 0;
  const rb_effect *first = NULL;
  for (size_t i = 0; i < comparison->n_effects; i++) {
    const rb_effect *effect = &comparison->effects[i];
    if (!is_changed(effect))
      continue;
    plausible += effect->audible == RB_AUDIBLE_PLAUSIBLE;
    unlikely += effect->audible == RB_AUDIBLE_UNLIKELY;
    if (effect->audible == RB_AUDIBLE_PLAUSIBLE && !first)
      first = effect;
  }
  rb_text text = {0};
  if (plausible) {
    rb_text_printf(
        &text, "By published thresholds %zu of these changes could be heard (%s%s, for one).",
        plausible, rb_label_words(first->quantity.key).text, place_words(first->quantity.channel));
  } else if (unlikely == comparison->n_changed)
    rb_text_add(&text, "By published thresholds none of the changes is likely to be heard.");
  else if (!unlikely)
    rb_text_add(&text, "No usable threshold of hearing is published for any of these changes.");
  else
    rb_text_printf(&text,
                   "By published thresholds %zu of the changes %s unlikely to be heard; for the "
                   "other %zu no usable threshold is published.",
                   unlikely, unlikely == 1 ? "is" : "are", comparison->n_changed - unlikely);
  say(out, &text);
}

void in_short_of(const shown *page, const rb_comparison *comparison, in_short *out)
{
  bool told[RB_LEN(topics)] = {false};
  out->n = 0;
  say_verdict(comparison, out);
  say_changes(page, told, out);
  say_what_stayed(page, told, out);
  if (comparison->n_changed)
    say_audible(comparison, out);
}
