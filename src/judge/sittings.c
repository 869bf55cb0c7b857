// SPDX-License-Identifier: GPL-3.0-or-later
#include "effects.h"

#include <stdlib.h>
#include <string.h>

// Sittings further apart are not one session: a drift through both is not linear.
static const double most_gap_s = 7 * 86400.0;
// Where a sitting does not say when it began, it is put this long after the one before.
static const double usual_gap_s = 3600;

static int by_time(const void *left, const void *right)
{
  const swap_sitting *a = left, *b = right;
  if (a->time_s != b->time_s)
    return a->time_s < b->time_s ? -1 : 1;
  return a->sitting_id < b->sitting_id ? -1 : a->sitting_id > b->sitting_id;
}

static void add_passes(const rb_table *table, swap_sittings *sittings)
{
  swap_sitting *sitting = NULL;
  for (size_t i = 0; i < table->n_passes; i++) {
    const rb_table_pass *pass = &table->passes[i];
    if (!sitting || sitting->sitting_id != pass->sitting_id) {
      double before_s = sitting ? sitting->time_s : 0;
      sitting = &sittings->all[sittings->n++];
      *sitting = (swap_sitting){.sitting_id = pass->sitting_id,
                                .started_at = pass->started_at,
                                .mains_vrms = pass->mains_vrms,
                                .time_s = pass->powered_on_utc_s > 0 ? pass->powered_on_utc_s
                                                                     : before_s + usual_gap_s};
    }
    sitting->n_passes++;
    sitting->on_s += (pass->since_power_on_s - sitting->on_s) / (double)sitting->n_passes;
    sitting->settled = sitting->settled || pass->settled;
  }
}

// Line-ups are numbered in the order they turn up, after A and B.
static uint32_t number_of_lineup(int64_t id, int64_t *ids, uint32_t *n)
{
  for (uint32_t i = 0; i < *n; i++)
    if (ids[i] == id)
      return i;
  ids[*n] = id;
  return (*n)++;
}

static void number_lineups(const rb_table *table, int64_t *ids, swap_sittings *sittings)
{
  uint32_t n = FIRST_OTHER_LINEUP;
  for (size_t i = 0; i < table->n_passes; i++) {
    const rb_table_pass *pass = &table->passes[i];
    uint32_t *place = &sittings->sitting_of_pass[i];
    if (i && pass->sitting_id == table->passes[i - 1].sitting_id) {
      *place = place[-1];
      continue;
    }
    for (*place = 0; sittings->all[*place].sitting_id != pass->sitting_id;)
      ++*place;
    sittings->all[*place].lineup = number_of_lineup(pass->lineup_id, ids, &n);
  }
}

rb_status swap_sittings_gather(const rb_table *table, int64_t lineup_a, int64_t lineup_b,
                               rb_arena *arena, swap_sittings *sittings)
{
  *sittings = (swap_sittings){
      .all = rb_arena_alloc(arena, table->n_passes, sizeof *sittings->all),
      .sitting_of_pass = rb_arena_alloc(arena, table->n_passes, sizeof *sittings->sitting_of_pass)};
  int64_t *ids = rb_arena_alloc(arena, table->n_passes + FIRST_OTHER_LINEUP, sizeof *ids);
  if (!sittings->all || !sittings->sitting_of_pass || !ids)
    return RB_NO_MEM;
  ids[LINEUP_A] = lineup_a;
  ids[LINEUP_B] = lineup_b;
  add_passes(table, sittings);
  if (sittings->n)
    qsort(sittings->all, sittings->n, sizeof *sittings->all, by_time);
  number_lineups(table, ids, sittings);
  for (size_t i = 1; i < sittings->n; i++)
    sittings->all[i].run = sittings->all[i - 1].run +
                           (sittings->all[i].time_s - sittings->all[i - 1].time_s > most_gap_s);
  return RB_OK;
}

swap_scale swap_scale_of(const rb_quantity *quantity)
{
  static const char *const by_ratio[] = {"V", "mV", "uV", "W", "mW", "Hz", "%", "ohm", "s", "ms"};
  // What two halves cancel may be next to nothing, and its ratio then anything.
  static const char *const cancelled[] = {"even_sum", "hum_2x", "hum_4x", "hum_6x"};
  size_t length = strlen(quantity->key);
  if (strcmp(quantity->unit, "deg") == 0)
    return SCALE_ANGLE;
  if (length > 7 && strcmp(quantity->key + length - 7, "_signed") == 0)
    return SCALE_PLAIN;
  for (size_t i = 0; i < RB_LEN(cancelled); i++)
    if (strcmp(quantity->key, cancelled[i]) == 0)
      return SCALE_PLAIN;
  for (size_t i = 0; i < RB_LEN(by_ratio); i++)
    if (strcmp(quantity->unit, by_ratio[i]) == 0)
      return SCALE_RATIO;
  return SCALE_PLAIN;
}

bool swap_is_effect(const char *key)
{
  static const char *const of_the_bench[] = {"freq", "mains_freq", "clock_ppm", "latency"};
  for (size_t i = 0; i < RB_LEN(of_the_bench); i++)
    if (strcmp(key, of_the_bench[i]) == 0)
      return false;
  return true;
}
