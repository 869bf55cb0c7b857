// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_JUDGE_SPLIT_H
#define ROLLBOOK_JUDGE_SPLIT_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"

#include <stdbool.h>
#include <stddef.h>

/// Which part of the second harmonic belongs to the two tubes of a pair, and which to all the rest?
/// Exchanging the tubes turns the pair's own part over and leaves the rest (Cocking, "Push-Pull
/// Balance", Wireless World, November 1947):
///
///     pair = (before − exchanged)/2,   rest = (before + exchanged)/2
///
/// of the complex ratio R = (A2/A1)·exp(j(φ2 − 2φ1)). Magnitudes alone cannot do it. Holds where
/// each tube was set to the same idle current in both orders; not near clipping, and for the rest
/// not with a tube that runs out of emission.
///
/// The same arithmetic serves the sections of a twin triode and tubes crossed between channels.

/// The second harmonic of one capture, percent of the fundamental, as real and imaginary part.
typedef struct rb_split_point {
  double power_w;
  bool exchanged;  ///< Taken with the two tubes exchanged.
  double real_pct; ///< (A2/A1)·cos(φ2 − 2φ1).
  double imag_pct; ///< (A2/A1)·sin(φ2 − 2φ1).
  double sd_pct;   ///< Standard uncertainty of either part, from the capture's noise.
} rb_split_point;

/// One of the two parts.
typedef struct rb_split_part {
  double pct;             ///< Size.
  double deg;             ///< Angle; 0 or 180 for a memoryless imbalance seen without phase shift.
  double interval_pct[2]; ///< 95 % for the size; starts at 0 where nothing was resolved.
  double real_pct, imag_pct;
  double sd_pct; ///< Standard uncertainty of either of the two.
  bool resolved; ///< The interval does not reach 0.
} rb_split_part;

typedef struct rb_split_level {
  double power_w;
  size_t n_before, n_exchanged; ///< Captures.
  rb_split_part pair, rest;
  bool from_repeats; ///< Spread from repeats; false: only from the captures' own noise.
} rb_split_level;

/// How the second harmonic answers to a known difference of the pair, learned on this amplifier
/// from a deliberate change or taken from the model.
// unitless: real_pct_per_pct, imag_pct_per_pct
typedef struct rb_split_sensitivity {
  double real_pct_per_pct; ///< Percent of second harmonic per percent by which push exceeds pull.
  double imag_pct_per_pct;
  double relative_pct; ///< Its own standard uncertainty.
} rb_split_sensitivity;

/// By how much push exceeds pull.
typedef struct rb_split_strength {
  double push_over_pull_pct; ///< Negative: pull is the stronger.
  double interval_pct[2];    ///< 95 %.
  bool resolved;
} rb_split_strength;

/// Splits captures by level, lowest power first. Points of one level share the same power to 2 %.
/// RB_BAD_ARG where a level lacks one of the two orders or there are no points; RB_NO_MEM.
RB_NODISCARD rb_status rb_split_pair(const rb_split_point *points, size_t n, rb_arena *arena,
                                     rb_split_level **levels, size_t *n_levels, rb_err *err);

/// The strength behind a pair's part; the part's component along the sensitivity's angle counts.
rb_split_strength rb_split_strength_of(const rb_split_part *pair,
                                       const rb_split_sensitivity *sensitivity);

#endif
