// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_REPORT_WORDS_H
#define ROLLBOOK_REPORT_WORDS_H

#include "rollbook/base/text.h"
#include "rollbook/model/reading.h"

/// Figures for people: the one place that decides how many digits a number has and how its unit is
/// written, for pages, plots and the terminal. UTF-8: minus is U+2212, the space before a unit
/// U+202F (thin and not to be broken), so that a figure stays with its unit.
///
/// An uncertainty has two significant digits and the value ends at the same place (JCGM 100:2008,
/// 7.2.6). Behind "±" stands an expanded uncertainty with k = 2, about 95 % (7.2.3 advises against
/// a standard uncertainty there).
// unitless: uncertainty, interval

enum { RB_FIGURE_SIZE = 96 };

/// A figure ready to be shown. Cut at a character's boundary, never overflowing.
typedef struct rb_figure {
  char text[RB_FIGURE_SIZE];
} rb_figure;

/// A unit with the prefix it is shown with.
typedef struct rb_scale {
  double factor;           ///< shown = value · factor.
  char unit[RB_UNIT_SIZE]; ///< "mV", "Ω", "°", "" for pure numbers.
} rb_scale;

/// The scale on which a value of about `value` is read most easily: volts down to nanovolts, watts
/// to microwatts, seconds to microseconds, hertz up to kilohertz; others as they are ("ohm" as Ω).
rb_scale rb_scale_for(const char *unit, double value);

/// Decimals that give `uncertainty` two significant digits; the value's own, so that it has four,
/// where the uncertainty is 0 or no number. At most 9.
int rb_decimals_for(double value, double uncertainty);

/// "0.4120" on a scale, with that many decimals and no unit.
rb_figure rb_figure_number(double value, int decimals, const rb_scale *scale);

/// The same with a sign always: "+0.24", "−6.1", "0.00" for what rounds to nothing.
rb_figure rb_figure_signed(double value, int decimals, const rb_scale *scale);

/// "412 mV", at most four significant digits: for sentences.
rb_figure rb_figure_prose(double value, const char *unit);

/// The same, but no digits beyond those `uncertainty` leaves: 0.3121 ± 0.021 is "0.312 %".
rb_figure rb_figure_rounded(double value, double uncertainty, const char *unit);

/// For "fell by 6.1 dB (5.4 to 6.8 dB)": a change and its interval without signs. The interval must
/// not hold 0.
rb_figure rb_figure_change_size(double difference, const double interval[2], const char *unit);
rb_figure rb_figure_interval_size(const double interval[2], const char *unit);

/// "1 pass", "2 passes".
rb_figure rb_figure_count(size_t n, const char *one, const char *many);

/// A reading in full: "0.412 ± 0.012 %", or "below 0.002 %" where it is not resolved (the bound
/// rounded up, so that it stays true).
rb_figure rb_figure_reading(const rb_reading *reading);

/// "below 0.002 %"; `bound` rounded up to two significant digits, decibels to whole ones. For an
/// angle, whose harmonic is what lies under the floor, "below noise".
rb_figure rb_figure_below(double bound, const char *unit);

/// The unit of a difference: "dB" for "dBFS", "dBV" and other levels; others as they are.
const char *rb_unit_of_change(const char *unit);

/// A change with its sign and unit: "−6.1 dB", digits as its half-interval has them.
rb_figure rb_figure_change(double difference, const double interval[2], const char *unit);

/// "5.4 to 6.8 dB", the digits of half its width. Where both ends are negative they keep their
/// signs: "−6.8 to −5.4 dB".
rb_figure rb_figure_interval(const double interval[2], const char *unit);

/// A reading's name inside a sentence: "second harmonic" for "h2"; an unknown key as it is.
rb_figure rb_label_words(const char *key);

/// "1 kHz tone at 1 W" for "tone-1k 1 W": a condition as a person says it; others unchanged.
rb_figure rb_condition_words(const char *condition);

#endif
