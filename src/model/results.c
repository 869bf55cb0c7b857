// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/results.h"

#include <string.h>

rb_results rb_results_in(rb_arena *arena)
{
  return (rb_results){.arena = arena};
}

// Room for one more element; the old array stays in the arena.
static void *grown(rb_arena *arena, void *items, size_t n, size_t *capacity, size_t size)
{
  if (n < *capacity)
    return items;
  size_t wanted = *capacity ? 2 * *capacity : 64;
  void *fresh = rb_arena_alloc(arena, wanted, size);
  if (!fresh)
    return NULL;
  if (n)
    memcpy(fresh, items, n * size);
  *capacity = wanted;
  return fresh;
}

rb_status rb_results_add(rb_results *results, const rb_reading *reading)
{
  rb_reading *items = grown(results->arena, results->readings, results->n_readings,
                            &results->readings_capacity, sizeof *items);
  if (!items)
    return RB_NO_MEM;
  results->readings = items;
  items[results->n_readings++] = *reading;
  return RB_OK;
}

static const double *copied(rb_arena *arena, const double *values, size_t n)
{
  double *copy = rb_arena_doubles(arena, n);
  if (copy && n)
    memcpy(copy, values, n * sizeof *copy);
  return copy;
}

rb_status rb_results_add_curve(rb_results *results, const rb_curve *curve)
{
  rb_curve *items = grown(results->arena, results->curves, results->n_curves,
                          &results->curves_capacity, sizeof *items);
  if (!items)
    return RB_NO_MEM;
  results->curves = items;
  rb_curve kept = *curve;
  kept.x = copied(results->arena, curve->x, curve->n);
  kept.y = copied(results->arena, curve->y, curve->n);
  if (curve->uncertainty)
    kept.uncertainty = copied(results->arena, curve->uncertainty, curve->n);
  if (!kept.x || !kept.y || (curve->uncertainty && !kept.uncertainty))
    return RB_NO_MEM;
  items[results->n_curves++] = kept;
  return RB_OK;
}

static bool starts_with(const char *text, const char *start)
{
  return strncmp(text, start, strlen(start)) == 0;
}

const rb_reading *rb_results_find(const rb_results *results, const char *key, rb_channel channel,
                                  const char *condition_start)
{
  for (size_t i = 0; i < results->n_readings; i++) {
    const rb_reading *r = &results->readings[i];
    if (r->channel == channel && strcmp(r->key, key) == 0 &&
        starts_with(r->condition, condition_start))
      return r;
  }
  return NULL;
}

const rb_curve *rb_results_find_curve(const rb_results *results, const char *key,
                                      rb_channel channel, const char *condition_start)
{
  for (size_t i = 0; i < results->n_curves; i++) {
    const rb_curve *c = &results->curves[i];
    if (c->channel == channel && strcmp(c->key, key) == 0 &&
        starts_with(c->condition, condition_start))
      return c;
  }
  return NULL;
}
