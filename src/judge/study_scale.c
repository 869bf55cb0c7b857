// SPDX-License-Identifier: GPL-3.0-or-later
#include "study_scale.h"

#include "rollbook/stats/paired.h"

#include <string.h>

size_t study_place_of(const rb_study_data *data, int64_t lineup_id)
{
  size_t i = 0;
  while (i < data->n_lineups && data->lineups[i].id != lineup_id)
    i++;
  return i;
}

static size_t collect(const rb_study_data *data, const char *attribute, bool with_after,
                      rb_paired_score *scores, study_scale *scale)
{
  size_t n = 0;
  for (size_t i = 0; i < data->n_impressions; i++) {
    const rb_impression *impression = &data->impressions[i];
    if (strcmp(impression->attribute, attribute) != 0)
      continue;
    if (impression->after_numbers && !with_after) {
      scale->n_after++;
      continue;
    }
    scores[n++] = (rb_paired_score){.judged = study_place_of(data, impression->lineup_id),
                                    .against = study_place_of(data, impression->against_id),
                                    .score = impression->score};
  }
  return n;
}

// The group with the most line-ups; others cannot be put on its scale.
static size_t largest_group(const size_t *group, size_t n)
{
  size_t best = n, most = 0;
  for (size_t g = 0; g < n; g++) {
    size_t count = 0;
    for (size_t i = 0; i < n; i++)
      count += group[i] == g;
    if (count > most) {
      most = count;
      best = g;
    }
  }
  return best;
}

rb_status study_put_on_scale(const rb_study_data *data, const char *attribute, bool with_after,
                             rb_arena *arena, study_scale *scale)
{
  size_t n = data->n_lineups;
  rb_paired_score *scores = rb_arena_alloc(arena, data->n_impressions, sizeof *scores);
  size_t *group = rb_arena_alloc(arena, n, sizeof *group);
  if (!scores || !group)
    return RB_NO_MEM;
  scale->n_after = scale->n_unlinked = 0;
  size_t n_scores = collect(data, attribute, with_after, scores, scale);
  RB_TRY(rb_paired_scale(scores, n_scores, n, arena, scale->scores, group));
  size_t best = largest_group(group, n);
  for (size_t i = 0; i < n; i++)
    scale->heard[i] = best < n && group[i] == best;
  for (size_t k = 0; k < n_scores; k++)
    scale->n_unlinked += !scale->heard[scores[k].judged];
  return RB_OK;
}
