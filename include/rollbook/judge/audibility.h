// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_JUDGE_AUDIBILITY_H
#define ROLLBOOK_JUDGE_AUDIBILITY_H

#include <stddef.h>

/// Could a change of this size be heard? Published limits differ by factors, so there are two of
/// them: above the one a change is plausible, below the other unlikely, and between them the guide
/// does not decide. Orders of distortion are kept apart: no row judges THD.

typedef enum rb_audible {
  RB_AUDIBLE_NO_GUIDE, ///< No row, or between the two limits.
  RB_AUDIBLE_UNLIKELY,
  RB_AUDIBLE_PLAUSIBLE,
} rb_audible;

/// "no guide", "unlikely" or "plausible".
const char *rb_audible_name(rb_audible audible);

/// What of a swap is held against the limits.
typedef enum rb_guide_of {
  RB_GUIDE_STEP_DB,   ///< Size of the difference, dB.
  RB_GUIDE_SHARE_PCT, ///< Size of the change in percent of the fundamental.
  RB_GUIDE_LEAST_DB,  ///< The smaller of both sides, dB: audible *below* the limit.
} rb_guide_of;

/// One row of judge/audibility.def.
// unitless: plausible_at, unlikely_at
typedef struct rb_guide {
  const char *key;
  rb_guide_of of;
  double plausible_at;
  double unlikely_at;
  const char *confidence; ///< "good", "fair" or "poor".
  const char *source;
} rb_guide;

/// The rows in their order; `*n` of them.
const rb_guide *rb_guides(size_t *n);

/// The row for a reading's key, or NULL.
const rb_guide *rb_guide_find(const char *key);

/// Holds a swap from `a` to `a + difference`, in `unit` ("dB" or "%"), against a row.
// unitless: a, difference
rb_audible rb_guide_judge(const rb_guide *guide, const char *unit, double a, double difference);

#endif
