// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_JUDGE_COMPARE_H
#define ROLLBOOK_JUDGE_COMPARE_H

#include "rollbook/book/book.h"
#include "rollbook/judge/audibility.h"

/// The swap: two line-ups of one amplifier set side by side. A is what was there before, B what
/// came in; every difference is B minus A.
///
/// A change counts as real only against the spread between sittings of one line-up: power off,
/// tubes out and in again, power on. Where that spread is not known (one sitting each and no
/// history on this amplifier), nothing is called changed, whatever the spread within a sitting.
///
/// Readings in dB, degrees and ppm and signed ones are compared as they are; positive ones in V, W,
/// Hz, %, ohm and s by their ratio, with the result given in their unit; angles round the circle.
/// Passes before the warm-up gate opened count only where a sitting has no others. What belongs to
/// the bench (clock, latency, the tone's own frequency) is no effect of a line-up and left out.
///
/// Where both line-ups were measured in one session (sittings less than a week apart) the
/// difference is made of such sessions alone; older sittings then only lend their spread.
///
/// Over all effects at most 5 % of comparisons call anything changed that is not (Holm 1979).
/// Readings that say something of their own (gain, H2, H3, bands, noise, hum …) have a ten times
/// larger share of that than those that follow from them or seldom matter (sums, angles, high
/// orders).

typedef enum rb_effect_word { RB_NOT_RESOLVED, RB_CHANGED } rb_effect_word;

/// "not resolved" or "changed".
const char *rb_effect_word_name(rb_effect_word word);

/// What the interval of an effect stands on.
typedef enum rb_basis {
  RB_BASIS_NONE,     ///< No interval: both sides are only bounds, or one side is missing.
  RB_BASIS_CAPTURE,  ///< One pass each: only the captures' own noise.
  RB_BASIS_WITHIN,   ///< Repeats within a sitting; includes no reseating.
  RB_BASIS_SITTINGS, ///< Repeats within and between sittings.
} rb_basis;

/// Half a sentence for a page: "repeats within one sitting; includes no reseating".
const char *rb_basis_text(rb_basis basis);

/// One side of an effect.
// unitless: value
typedef struct rb_effect_side {
  double value;      ///< Mean over sittings, in the effect's unit; an upper bound where !resolved.
  bool resolved;     ///< False where any reading of this side was at or under its floor.
  size_t n_sittings; ///<
  size_t n_passes;   ///<
} rb_effect_side;

/// One reading of the swap. Numbers are in `quantity.unit`.
// unitless: difference, interval, smallest_resolvable, standard_error
// unitless: spread_within, spread_between, within_df, between_df, p_holm
typedef struct rb_effect {
  rb_quantity quantity;
  rb_effect_side a, b;
  double difference;     ///< b − a, drift removed; between bounds where a side is unresolved.
  bool is_bound;         ///< One side is a bound: the change is at least `difference` in size.
  rb_basis basis;        ///< With RB_BASIS_NONE the numbers from here to p_holm are 0 (p: 1).
  double interval[2];    ///< 95 %.
  double standard_error; ///<
  double df;             ///< Degrees of freedom behind it.
  double smallest_resolvable; ///< A change of this size would have been called changed: half the
                              ///< interval's width, widened for the number of effects looked at.
  double spread_within;       ///< One standard deviation between passes of a sitting; 0: unknown.
  double within_df;           ///< Its degrees of freedom, pooled over the amplifier's history.
  double spread_between;      ///< … between sittings of one line-up; 0: unknown or none.
  double between_df;          ///< Its degrees of freedom.
  double p;                   ///< Two-sided, of no change.
  double p_holm;          ///< Adjusted over all effects with basis RB_BASIS_SITTINGS (Holm 1979).
  rb_effect_word word;    ///< Changed: p_holm < 0.05 and basis RB_BASIS_SITTINGS. Never for an
                          ///< angle; sizes of harmonics are judged as amplitudes, shown in dB.
  rb_audible audible;     ///< Of the difference, if it is real.
  const char *source;     ///< Where the limits behind `audible` are from; "" where there are none.
  const char *confidence; ///< "good", "fair", "poor" or "": how far those limits can be trusted.
} rb_effect;

/// One curve of the swap, on the grid of line-up A's newest pass.
// unitless: x, a, b, difference, pointwise, simultaneous
typedef struct rb_curve_effect {
  char key[RB_KEY_SIZE];
  rb_channel channel;
  char condition[RB_CONDITION_SIZE];
  char x_unit[RB_UNIT_SIZE];
  char y_unit[RB_UNIT_SIZE];
  size_t n;
  const double *x;
  const double *a;            ///< Mean of A's sittings.
  const double *b;            ///< Mean of B's sittings.
  const double *difference;   ///< b − a.
  const double *pointwise;    ///< Half-width of the 95 % band at each point; NULL where unknown.
  const double *simultaneous; ///< … that holds for all points at once; NULL where unknown.
  rb_basis basis;             ///< What the bands stand on.
} rb_curve_effect;

/// A socket that does not hold the same tube, or not at the same bias.
typedef struct rb_socket_change {
  const rb_socket *socket; ///< Of lineup_a's amplifier.
  char tube_a[RB_NAME_SIZE];
  char tube_b[RB_NAME_SIZE]; ///< "" where empty or not entered.
  double bias_a_ma, bias_b_ma;
} rb_socket_change;

/// A sitting in the order of time.
typedef struct rb_order_step {
  int64_t sitting_id;
  char lineup; ///< 'A' or 'B'.
  char started_at[32];
  size_t n_passes;
} rb_order_step;

typedef struct rb_comparison {
  rb_lineup lineup_a, lineup_b;
  rb_socket_change *sockets_changed;
  size_t n_sockets_changed;
  rb_order_step *order;
  size_t n_order;
  char order_text[64]; ///< "A B A"; ends in "…" where it does not fit.
  bool drift_removed;  ///< The order allows a linear drift to be removed, and it was.
  bool mains_removed;  ///< The mains voltage was entered everywhere, and its share was taken out.
  rb_effect *effects;  ///< In the order of reading_keys.def, left before right.
  size_t n_effects;
  size_t n_changed; ///< Effects called changed.
  rb_curve_effect *curves;
  size_t n_curves;
  const char **notes; ///< Whole sentences: "One sitting each: includes no reseating. …"
  size_t n_notes;
} rb_comparison;

/// Compares all passes of two line-ups. The spread is pooled over their sittings and over the
/// newest passes of the amplifier's other line-ups in the book. Arrays live in `arena`.
/// RB_NOT_FOUND where a line-up is not in the book or has no pass; RB_BAD_ARG where the two are the
/// same or are of different amplifiers.
RB_NODISCARD rb_status rb_compare(rb_book *book, const char *lineup_a, const char *lineup_b,
                                  rb_arena *arena, rb_comparison *comparison, rb_err *err);

/// The readings' part of it, on a table that is there already: fills effects, order and notes.
/// `comparison->lineup_a` and `lineup_b` must be set.
RB_NODISCARD rb_status rb_compare_table(const rb_table *table, rb_arena *arena,
                                        rb_comparison *comparison, rb_err *err);

#endif
