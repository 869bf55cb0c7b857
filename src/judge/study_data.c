// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/study.h"

static const size_t all_passes = 1000000;

static rb_status no_memory(rb_err *err)
{
  return rb_fail(err, RB_NO_MEM, "Memory ran out while reading an amplifier's history.");
}

static bool is_of(const rb_study_data *data, int64_t lineup_id)
{
  for (size_t i = 0; i < data->n_lineups; i++)
    if (data->lineups[i].id == lineup_id)
      return true;
  return false;
}

static rb_status load_lineups(rb_book *book, rb_arena *arena, rb_study_data *data, rb_err *err)
{
  rb_lineup *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_lineups(book, arena, &all, &n, err));
  for (size_t i = 0; i < n; i++) {
    if (all[i].amplifier.id != data->amplifier.id)
      continue;
    if (data->n_lineups != i)
      all[data->n_lineups] = all[i];
    data->n_lineups++;
  }
  data->lineups = all;
  return RB_OK;
}

static rb_status load_impressions(rb_book *book, rb_arena *arena, rb_study_data *data, rb_err *err)
{
  rb_impression *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_impressions(book, 0, 0, arena, &all, &n, err));
  for (size_t i = 0; i < n; i++)
    if (is_of(data, all[i].lineup_id))
      all[data->n_impressions++] = all[i];
  data->impressions = all;
  return RB_OK;
}

rb_status rb_study_load(rb_book *book, const char *amplifier, rb_arena *arena, rb_study_data *data,
                        rb_err *err)
{
  *data = (rb_study_data){.n_lineups = 0};
  if (!arena)
    return no_memory(err);
  RB_TRY(rb_book_amplifier(book, amplifier, &data->amplifier, err));
  RB_TRY(load_lineups(book, arena, data, err));
  RB_TRY(load_impressions(book, arena, data, err));
  rb_table_want want = {.amplifier_id = data->amplifier.id, .n_other_passes = all_passes};
  RB_TRY(rb_book_readings(book, &want, arena, &data->table, err));
  if (!data->table.n_passes)
    return rb_fail(err, RB_NOT_FOUND,
                   "No line-up of '%s' has been measured yet: `rollbook measure` does.", amplifier);
  return RB_OK;
}
