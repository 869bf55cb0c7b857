// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_JUDGE_EFFECTS_H
#define ROLLBOOK_SRC_JUDGE_EFFECTS_H

#include "rollbook/judge/compare.h"
#include "rollbook/stats/sittings.h"

/// A sitting as the comparison sees it.
typedef struct swap_sitting {
  int64_t sitting_id;
  uint32_t lineup; ///< 0: A, 1: B, 2 …: others.
  uint32_t run;    ///< Sittings with less than a week between them.
  double time_s;
  double mains_vrms; ///< 0 where not entered.
  size_t n_passes;   ///< All of them.
  double on_s;       ///< Mean time since power-on of its passes.
  bool settled;      ///< Has settled passes; then only those count.
  const char *started_at;
} swap_sitting;

enum { LINEUP_A, LINEUP_B, FIRST_OTHER_LINEUP };

/// The table's passes gathered into sittings, oldest first; `sitting_of_pass` per pass of the
/// table.
typedef struct swap_sittings {
  swap_sitting *all;
  size_t n;
  uint32_t *sitting_of_pass;
} swap_sittings;

RB_NODISCARD rb_status swap_sittings_gather(const rb_table *table, int64_t lineup_a,
                                            int64_t lineup_b, rb_arena *arena,
                                            swap_sittings *sittings);

/// How a quantity is compared: what is added up, and how it is turned back.
typedef enum swap_scale { SCALE_PLAIN, SCALE_RATIO, SCALE_ANGLE, SCALE_HARMONIC } swap_scale;

/// By unit and key; a ratio needs all values positive, which the caller must see to.
swap_scale swap_scale_of(const rb_quantity *quantity);

/// False for what belongs to the bench and not to the line-up.
bool swap_is_effect(const char *key);

/// Appends a whole sentence to the notes of a comparison. RB_NO_MEM.
RB_NODISCARD rb_status swap_note(rb_comparison *comparison, rb_arena *arena, const char *format,
                                 ...) RB_PRINTF(3, 4);

#endif
