// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef SYNTHETIC_SWAP_H
#define SYNTHETIC_SWAP_H

#include "rollbook/judge/compare.h"
#include "rollbook/judge/heard.h"

/// A swap made of invented numbers, for pages that are looked at without measuring first.
typedef struct synthetic_swap {
  rb_comparison comparison;
  rb_table table;
  rb_impression impressions[3];
  rb_sitting sittings[3];
  rb_results results; ///< As of one pass of line-up A.
} synthetic_swap;

/// What is put into it.
typedef struct synthetic_options {
  const char *lineup_a, *lineup_b; ///< Names; hostile ones are allowed.
  bool nothing_changed;            ///< No effect is called changed.
  bool one_sitting;                ///< Basis: within one sitting only.
  bool real_bench;                 ///< Not the simulated rig.
} synthetic_options;

/// Everything lives in `arena`, which must not run out.
void synthetic_swap_make(const synthetic_options *options, rb_arena *arena, synthetic_swap *swap);

#endif
