// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/report/words.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define THIN_SPACE "\xE2\x80\xAF"
#define MINUS "\xE2\x88\x92"

enum { MOST_DECIMALS = 9 };

// Units that take a prefix, and the lowest and highest power of 1000 they take.
static const struct {
  const char *unit;
  int lowest, highest;
} prefixed[] = {{"V", -3, 0}, {"W", -2, 0}, {"s", -2, 0}, {"Hz", 0, 1}};

static const char *const prefixes[] = {"n", "µ", "m", "", "k"};
enum { NO_PREFIX = 3 };

// Units that are written otherwise than the book keeps them.
static const char *const respelled[][2] = {{"ohm", "Ω"}, {"deg", "°"}};

rb_scale rb_scale_for(const char *unit, double value)
{
  rb_scale scale = {.factor = 1};
  rb_text_copy(scale.unit, sizeof scale.unit, unit);
  for (size_t i = 0; i < RB_LEN(respelled); i++)
    if (strcmp(unit, respelled[i][0]) == 0)
      rb_text_copy(scale.unit, sizeof scale.unit, respelled[i][1]);
  double size = fabs(value);
  if (!(size > 0) || !isfinite(size))
    return scale;
  for (size_t i = 0; i < RB_LEN(prefixed); i++) {
    if (strcmp(unit, prefixed[i].unit) != 0)
      continue;
    int power = (int)floor(log10(size) / 3);
    power = power < prefixed[i].lowest ? prefixed[i].lowest : power;
    power = power > prefixed[i].highest ? prefixed[i].highest : power;
    scale.factor = pow(1000, -power);
    snprintf(scale.unit, sizeof scale.unit, "%s%s", prefixes[NO_PREFIX + power], unit);
  }
  return scale;
}

// Decimals that leave `digits` significant ones of `size`, rounding to the next decade included:
// 0.0996 with two digits is 0.10.
static int decimals_of(double size, int digits)
{
  if (!(size > 0) || !isfinite(size))
    return 0;
  int decimals = digits - 1 - (int)floor(log10(size));
  double rounded = round(size * pow(10, decimals)) / pow(10, decimals);
  decimals = digits - 1 - (int)floor(log10(rounded) + 1e-12);
  return decimals < 0 ? 0 : decimals > MOST_DECIMALS ? MOST_DECIMALS : decimals;
}

int rb_decimals_for(double value, double uncertainty)
{
  if (uncertainty > 0 && isfinite(uncertainty))
    return decimals_of(uncertainty, 2);
  return decimals_of(fabs(value), 4);
}

// Rounded to `decimals`; what rounds to nothing loses its minus.
static void write_number(rb_text *text, double value, int decimals, bool sign)
{
  char digits[64];
  snprintf(digits, sizeof digits, "%.*f", decimals, fabs(value));
  bool nothing = strspn(digits, "0.") == strlen(digits);
  if (nothing)
    rb_text_add(text, digits);
  else
    rb_text_printf(text, "%s%s", value < 0 ? MINUS : sign ? "+" : "", digits);
}

static void write_unit(rb_text *text, const char *unit)
{
  // ISO 80000-1:2009, 7.1.4: a space before every unit but the degree of angle.
  if (strcmp(unit, "°") == 0)
    rb_text_add(text, unit);
  else if (unit[0])
    rb_text_printf(text, THIN_SPACE "%s", unit);
}

// Takes the text over.
static rb_figure figure_of(rb_text *text)
{
  rb_figure figure = {""};
  if (text->bytes && !text->failed)
    rb_text_copy(figure.text, sizeof figure.text, text->bytes);
  rb_text_free(text);
  return figure;
}

rb_figure rb_figure_number(double value, int decimals, const rb_scale *scale)
{
  rb_text text = {0};
  if (isfinite(value))
    write_number(&text, value * scale->factor, decimals, false);
  else
    rb_text_add(&text, "unknown");
  return figure_of(&text);
}

rb_figure rb_figure_signed(double value, int decimals, const rb_scale *scale)
{
  rb_text text = {0};
  if (isfinite(value))
    write_number(&text, value * scale->factor, decimals, true);
  else
    rb_text_add(&text, "unknown");
  return figure_of(&text);
}

static rb_figure with_unit(double shown, int decimals, const char *unit)
{
  rb_text text = {0};
  write_number(&text, shown, decimals, false);
  write_unit(&text, unit);
  return figure_of(&text);
}

rb_figure rb_figure_prose(double value, const char *unit)
{
  if (!isfinite(value))
    return (rb_figure){"unknown"};
  rb_scale scale = rb_scale_for(unit, value);
  // Zeros behind a round value say nothing in a sentence: 1 W, 1.4 Ω.
  double shown = value * scale.factor;
  int decimals = decimals_of(fabs(shown), 4);
  double steps = pow(10, decimals);
  for (; decimals && fmod(round(fabs(shown) * steps), 10) == 0; steps /= 10)
    decimals--;
  return with_unit(shown, decimals, scale.unit);
}

rb_figure rb_figure_rounded(double value, double uncertainty, const char *unit)
{
  if (!isfinite(value) || !(uncertainty > 0))
    return rb_figure_prose(value, unit);
  rb_scale scale = rb_scale_for(unit, value);
  double shown = value * scale.factor;
  int most = decimals_of(fabs(shown), 4);
  int kept = rb_decimals_for(shown, uncertainty * scale.factor);
  return with_unit(shown, kept < most ? kept : most, scale.unit);
}

rb_figure rb_figure_count(size_t n, const char *one, const char *many)
{
  rb_figure words;
  snprintf(words.text, sizeof words.text, "%zu %s", n, n == 1 ? one : many);
  return words;
}

static bool is_decibel(const char *unit)
{
  return strncmp(unit, "dB", 2) == 0;
}

rb_figure rb_figure_below(double bound, const char *unit)
{
  rb_text text = {0};
  if (strcmp(unit, "deg") == 0) { // an angle has no size to be under: its harmonic has
    rb_text_add(&text, "below noise");
    return figure_of(&text);
  }
  rb_scale scale = rb_scale_for(unit, bound);
  double shown = bound * scale.factor;
  int decimals = is_decibel(unit) ? 0 : decimals_of(fabs(shown), 2);
  double steps = pow(10, decimals);
  rb_text_add(&text, "below ");
  // Rounded up, so that it stays a bound; a hair less, so that 0.002 stays 0.002.
  write_number(&text, ceil(shown * steps - 1e-6) / steps, decimals, false);
  write_unit(&text, scale.unit);
  return figure_of(&text);
}

rb_figure rb_figure_reading(const rb_reading *reading)
{
  if (!reading->resolved)
    return rb_figure_below(reading->value, reading->unit);
  rb_text text = {0};
  double expanded = 2 * reading->uncertainty;
  rb_scale scale = rb_scale_for(reading->unit, reading->value);
  int decimals = rb_decimals_for(reading->value * scale.factor, expanded * scale.factor);
  rb_figure value = rb_figure_number(reading->value, decimals, &scale);
  rb_text_add(&text, value.text);
  if (expanded > 0 && isfinite(expanded))
    rb_text_printf(&text, " ± %s", rb_figure_number(expanded, decimals, &scale).text);
  if (isfinite(reading->value))
    write_unit(&text, scale.unit);
  return figure_of(&text);
}

static double half_width(const double interval[2])
{
  return 0.5 * (interval[1] - interval[0]);
}

// One scale and one number of decimals for a change and its interval.
static rb_scale change_scale(double size, const double interval[2], const char *unit, int *decimals)
{
  rb_scale scale = rb_scale_for(unit, fmax(fabs(size), half_width(interval)));
  *decimals = rb_decimals_for(size * scale.factor, half_width(interval) * scale.factor);
  return scale;
}

const char *rb_unit_of_change(const char *unit)
{
  return is_decibel(unit) && !strchr(unit, ' ') && strcmp(unit, "dB/min") != 0 ? "dB" : unit;
}

rb_figure rb_figure_change(double difference, const double interval[2], const char *unit)
{
  int decimals;
  rb_scale scale = change_scale(difference, interval, unit, &decimals);
  rb_text text = {0};
  rb_text_add(&text, rb_figure_signed(difference, decimals, &scale).text);
  write_unit(&text, scale.unit);
  return figure_of(&text);
}

rb_figure rb_figure_change_size(double difference, const double interval[2], const char *unit)
{
  int decimals;
  rb_scale scale = change_scale(difference, interval, unit, &decimals);
  return with_unit(fabs(difference) * scale.factor, decimals, scale.unit);
}

rb_figure rb_figure_interval_size(const double interval[2], const char *unit)
{
  const double ends[2] = {fabs(interval[0]), fabs(interval[1])};
  const double ordered[2] = {fmin(ends[0], ends[1]), fmax(ends[0], ends[1])};
  return rb_figure_interval(ordered, unit);
}

rb_figure rb_figure_interval(const double interval[2], const char *unit)
{
  int decimals;
  double size = fmax(fabs(interval[0]), fabs(interval[1]));
  rb_scale scale = change_scale(size, interval, unit, &decimals);
  rb_text text = {0};
  rb_text_printf(&text, "%s to %s", rb_figure_number(interval[0], decimals, &scale).text,
                 rb_figure_number(interval[1], decimals, &scale).text);
  write_unit(&text, scale.unit);
  return figure_of(&text);
}

rb_figure rb_label_words(const char *key)
{
  rb_figure words = {""};
  const rb_reading_kind *kind = rb_reading_kind_find(key);
  rb_text_copy(words.text, sizeof words.text, kind ? kind->label : key);
  words.text[0] = (char)tolower((unsigned char)words.text[0]);
  return words;
}

// Writes "1 kHz tone" for "tone-1k" at the start of `condition`; returns what follows.
static const char *tone_words(rb_text *text, const char *condition)
{
  const char *digits = condition + strlen("tone-");
  if (strncmp(condition, "tone-", strlen("tone-")) != 0)
    return condition;
  char *end = NULL;
  double frequency_hz = strtod(digits, &end);
  bool thousands = end > digits && *end == 'k';
  if (end == digits || !(frequency_hz > 0) || !strchr(" ,", end[thousands]))
    return condition;
  rb_figure shown = rb_figure_prose(thousands ? 1000 * frequency_hz : frequency_hz, "Hz");
  rb_text_printf(text, "%s tone", shown.text);
  return end + thousands;
}

rb_figure rb_condition_words(const char *condition)
{
  rb_text text = {0};
  const char *rest = tone_words(&text, condition);
  size_t name_length = strcspn(rest, " ,");
  rb_text_add_bytes(&text, rest, name_length);
  rest += name_length;
  char *end = NULL;
  double power_w = rest[0] == ' ' ? strtod(rest, &end) : 0;
  if (power_w > 0 && strncmp(end, " W", 2) == 0) {
    rb_text_printf(&text, " at %s", rb_figure_prose(power_w, "W").text);
    rest = end + 2;
  }
  rb_text_add(&text, rest);
  return figure_of(&text);
}
