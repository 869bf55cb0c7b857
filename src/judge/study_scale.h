// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_JUDGE_STUDY_SCALE_H
#define ROLLBOOK_SRC_JUDGE_STUDY_SCALE_H

#include "rollbook/judge/study.h"

/// The line-ups of an amplifier on the scale of one attribute. Arrays are the caller's, one entry a
/// line-up.
// unitless: scores
typedef struct study_scale {
  double *scores;
  bool *heard;       ///< Which of them are on the scale: the largest group that was compared.
  size_t n_after;    ///< Impressions left out.
  size_t n_unlinked; ///< Impressions outside the group.
} study_scale;

RB_NODISCARD rb_status study_put_on_scale(const rb_study_data *data, const char *attribute,
                                          bool with_after, rb_arena *arena, study_scale *scale);

/// Where the line-up stands in data->lineups; n_lineups where it is not there.
size_t study_place_of(const rb_study_data *data, int64_t lineup_id);

#endif
