// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_JUDGE_STUDY_H
#define ROLLBOOK_JUDGE_STUDY_H

#include "rollbook/judge/heard.h"
#include "rollbook/stats/factors.h"

/// Over all line-ups of one amplifier: what was heard against what was measured, which socket
/// matters, and how many more sittings a change needs.

/// Everything the book has on an amplifier; borrowed by what is made of it.
typedef struct rb_study_data {
  rb_amplifier amplifier;
  const rb_lineup *lineups; ///< Of this amplifier, measured or not.
  size_t n_lineups;         ///<
  rb_table table;           ///< All passes.
  const rb_impression *impressions;
  size_t n_impressions;
} rb_study_data;

/// RB_NOT_FOUND where there is no such amplifier or none of its line-ups was measured.
RB_NODISCARD rb_status rb_study_load(rb_book *book, const char *amplifier, rb_arena *arena,
                                     rb_study_data *data, rb_err *err);

// ---- heard against measured ---------------------------------------------------------------------

/// Fewest line-ups for a p value: with five, even perfect agreement of ranks reaches only 0.017 and
/// no adjusted p would stand.
enum { RB_STUDY_LEAST_LINEUPS = 6 };

/// A line-up that was both heard and measured.
// unitless: score, reading
typedef struct rb_study_point {
  const rb_lineup *lineup;
  double score;   ///< Its place on the scale of the attribute; the first line-up compared is 0.
  double reading; ///< Mean of its sittings (and of both channels), in the reading's unit.
  size_t n_sittings;
} rb_study_point;

/// One attribute against one reading tied to it in judge/links.def.
// unitless: p, p_holm
typedef struct rb_study_pair {
  const rb_attribute *attribute;
  const rb_link *link;
  rb_quantity quantity; ///< Channel RB_BOTH: mean of left and right.
  rb_study_point *points;
  size_t n_points;
  double rho;         ///< Spearman, of the score with the reading (NEARER: with its distance to 0).
  bool as_expected;   ///< Its sign is the one links.def has.
  bool tested;        ///< False under RB_STUDY_LEAST_LINEUPS, or where all scores are alike.
  double interval[2]; ///< 95 %, by bootstrap over line-ups; NaN where it does not exist.
  double p, p_holm; ///< Two-sided, by permutation; over all tested pairs (Holm 1979). 1: untested.
  bool exact;       ///< All permutations were counted.
} rb_study_pair;

typedef struct rb_study {
  rb_study_pair *pairs; ///< In the order of links.def.
  size_t n_pairs;
  size_t n_tested;   ///< So many comparisons were looked at.
  size_t n_after;    ///< Impressions left out because numbers had been shown before.
  size_t n_unlinked; ///< Impressions that share no comparison with the largest group of line-ups.
} rb_study;

/// `with_after`: impressions entered after the numbers count, too. Scores of several comparisons
/// are put on one scale by least squares. The same data and seed give the same answer.
RB_NODISCARD rb_status rb_study_heard(const rb_study_data *data, bool with_after, uint64_t seed,
                                      rb_arena *arena, rb_study *study, rb_err *err);

// ---- which socket matters -----------------------------------------------------------------------

/// A place whose tubes changed: a socket, or both of an output pair where its tubes only ever
/// changed together, so that they act as one.
typedef struct rb_study_place {
  const rb_socket *socket;
  const rb_socket *pair; ///< The pull side of an output pair; NULL for a socket of its own.
  const char *name;      ///< "V1", "V3 + V4".
} rb_study_place;

/// One tube, or pair of tubes, in one place.
typedef struct rb_study_tube {
  const rb_study_place *place;
  const char *tube;    ///< Label, "left push + left pull" of a pair, "" where none was entered.
  size_t n_lineups;    ///< Line-ups that have it there.
  rb_level_effect fit; ///< Against the place's first tube, in `unit_of_effect`.
} rb_study_tube;

/// The additive model for one reading or one attribute.
// unitless: shares
typedef struct rb_study_sockets {
  rb_quantity quantity;              ///< For an attribute: its key, no condition and no unit.
  const rb_attribute *attribute;     ///< NULL for a reading.
  char unit_of_effect[RB_UNIT_SIZE]; ///< "%" where effects are ratios.
  rb_study_place *places;            ///< Those whose tubes changed.
  double *shares;                    ///< One a place.
  size_t n_places;
  rb_study_tube *tubes;
  size_t n_tubes;
  rb_factor_fit fit; ///< Effects as fitted (logarithms where they are ratios).
  size_t n_rows;     ///< Sittings, or line-ups for an attribute.
  rb_lineup *next;   ///< Line-ups that would separate the most; names are empty.
  size_t n_next;
} rb_study_sockets;

/// Fits `key` (a reading's, or an attribute's; "heard:noise" where it is the name of both), for
/// each channel and condition it was measured in; `condition` NULL: the one measured most. A left
/// or right reading sees the sockets of its channel and those of both. RB_NOT_FOUND where nothing
/// of that name was measured or heard; RB_BAD_ARG where no socket has held two tubes.
RB_NODISCARD rb_status rb_study_which_socket(const rb_study_data *data, const char *key,
                                             const char *condition, rb_arena *arena,
                                             rb_study_sockets **fits, size_t *n, rb_err *err);

// ---- how many more ------------------------------------------------------------------------------

/// What a size of change needs.
// unitless: mean, within_sd, between_sd, change, within_df, between_df
typedef struct rb_study_plan {
  rb_quantity quantity;
  double mean;       ///< Of all sittings.
  double within_sd;  ///< Between passes of a sitting, in the unit; with ratios at the mean.
  double between_sd; ///< Between sittings of one line-up, from reseating.
  double within_df, between_df;
  size_t sittings; ///< Of each of two line-ups; 0: over 10 000, or nothing is known yet.
} rb_study_plan;

/// For each channel of the reading: sittings needed to find `change` (in its unit) with probability
/// `power` when each has `n_passes`. As rb_study_which_socket chooses the condition. RB_NOT_FOUND.
// unitless: change, power
RB_NODISCARD rb_status rb_study_how_many(const rb_study_data *data, const char *key,
                                         const char *condition, double change, size_t n_passes,
                                         double power, rb_arena *arena, rb_study_plan **plans,
                                         size_t *n, rb_err *err);

#endif
