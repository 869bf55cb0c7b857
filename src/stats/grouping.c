// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/grouping.h"

#include "rollbook/base/error.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

enum { MOST_IN_PAIRS = 20, MOST_IN_GROUPS = 16 };

typedef struct stock {
  const double *cost;
  size_t n, size, n_left_over;
} stock;

static double pair_cost(const stock *items, size_t i, size_t k)
{
  return items->cost[i * items->n + k];
}

static double subset_cost(const stock *items, uint32_t subset)
{
  double sum = 0;
  for (uint32_t rest = subset; rest; rest &= rest - 1) {
    size_t i = (size_t)__builtin_ctz(rest);
    for (uint32_t other = rest & (rest - 1); other; other &= other - 1)
      sum += pair_cost(items, i, (size_t)__builtin_ctz(other));
  }
  return sum;
}

// ---- the least of all ways ----------------------------------------------------------------------

// best[set · (left over + 1) + skipped]: least cost of having dealt with the items of `set`,
// `skipped` of them left over; how[] is the group (or the single skipped item) that came last.
typedef struct ways {
  double *best;
  uint32_t *how;
  size_t width;
} ways;

static void offer(const ways *table, uint32_t set, size_t skipped, uint32_t last, double cost)
{
  size_t place = set * table->width + skipped;
  if (cost < table->best[place]) {
    table->best[place] = cost;
    table->how[place] = last;
  }
}

// A state and the group being put together from its free items.
typedef struct step {
  uint32_t set;
  size_t skipped;
  double cost;
} step;

// Adds `missing` more of `others` to `group`, in every way.
static void offer_all(const stock *items, const ways *table, const step *from, uint32_t group,
                      uint32_t others, size_t missing)
{
  if (missing == 0) {
    offer(table, from->set | group, from->skipped, group, from->cost + subset_cost(items, group));
    return;
  }
  while (others) {
    uint32_t next = others & -others;
    others &= ~next;
    offer_all(items, table, from, group | next, others, missing - 1);
  }
}

// Extends a state by each group that holds the lowest item not yet dealt with, so that every way is
// looked at once.
static void offer_groups(const stock *items, const ways *table, const step *from)
{
  uint32_t everything = (uint32_t)((UINT64_C(1) << items->n) - 1);
  uint32_t rest = everything & ~from->set, lowest = rest & -rest;
  if (from->skipped < items->n_left_over)
    offer(table, from->set | lowest, from->skipped + 1, lowest, from->cost);
  offer_all(items, table, from, lowest, rest & ~lowest, items->size - 1);
}

static void read_back(const stock *items, const ways *table, rb_grouping *grouping)
{
  uint32_t set = (uint32_t)((UINT64_C(1) << items->n) - 1);
  size_t skipped = items->n_left_over, group = grouping->n_groups;
  while (set) {
    uint32_t last = table->how[set * table->width + skipped];
    bool is_group = (size_t)__builtin_popcount(last) == items->size;
    group -= is_group;
    for (uint32_t rest = last; rest; rest &= rest - 1)
      grouping->group_of[__builtin_ctz(rest)] = is_group ? group : grouping->n_groups;
    skipped -= !is_group;
    set &= ~last;
  }
}

static rb_status look_at_all(const stock *items, rb_arena *arena, rb_grouping *grouping)
{
  size_t n_sets = (size_t)1 << items->n, width = items->n_left_over + 1;
  ways table = {.best = rb_arena_doubles(arena, n_sets * width),
                .how = rb_arena_alloc(arena, n_sets * width, sizeof(uint32_t)),
                .width = width};
  if (!table.best || !table.how)
    return RB_NO_MEM;
  for (size_t i = 1; i < n_sets * width; i++)
    table.best[i] = INFINITY;
  for (uint32_t set = 0; set + 1 < n_sets; set++)
    for (size_t skipped = 0; skipped < width; skipped++) {
      step from = {.set = set, .skipped = skipped, .cost = table.best[set * width + skipped]};
      if (isfinite(from.cost))
        offer_groups(items, &table, &from);
    }
  grouping->cost = table.best[(n_sets - 1) * width + items->n_left_over];
  grouping->is_least = true;
  read_back(items, &table, grouping);
  return RB_OK;
}

// ---- larger stocks ------------------------------------------------------------------------------

static double cost_to_group(const stock *items, const size_t *group_of, size_t group, size_t item,
                            size_t without)
{
  double sum = 0;
  for (size_t i = 0; i < items->n; i++)
    if (group_of[i] == group && i != item && i != without)
      sum += pair_cost(items, item, i);
  return sum;
}

// The free item that costs least beside those of `group`; for an empty group, one of the closest
// two free items.
static size_t cheapest(const stock *items, const rb_grouping *grouping, size_t group, bool is_empty)
{
  size_t best = items->n;
  double least = INFINITY;
  for (size_t i = 0; i < items->n; i++) {
    if (grouping->group_of[i] != grouping->n_groups)
      continue;
    double cost = (double)INFINITY;
    if (!is_empty)
      cost = cost_to_group(items, grouping->group_of, group, i, i);
    for (size_t k = 0; is_empty && k < items->n; k++)
      if (k != i && grouping->group_of[k] == grouping->n_groups)
        cost = fmin(cost, pair_cost(items, i, k));
    if (cost < least || best == items->n) {
      least = cost;
      best = i;
    }
  }
  return best;
}

static void grow(const stock *items, rb_grouping *grouping)
{
  for (size_t i = 0; i < items->n; i++)
    grouping->group_of[i] = grouping->n_groups;
  for (size_t group = 0; group < grouping->n_groups; group++)
    for (size_t k = 0; k < items->size; k++)
      grouping->group_of[cheapest(items, grouping, group, k == 0)] = group;
}

// What exchanging items i and k of different groups would add; the left-over group costs nothing.
static double exchange_cost(const stock *items, const rb_grouping *grouping, size_t i, size_t k)
{
  const size_t *group_of = grouping->group_of;
  double change = 0;
  if (group_of[i] < grouping->n_groups)
    change += cost_to_group(items, group_of, group_of[i], k, i) -
              cost_to_group(items, group_of, group_of[i], i, i);
  if (group_of[k] < grouping->n_groups)
    change += cost_to_group(items, group_of, group_of[k], i, k) -
              cost_to_group(items, group_of, group_of[k], k, k);
  return change;
}

static bool better(const stock *items, rb_grouping *grouping)
{
  static const double least_gain = 1e-12;
  bool found = false;
  for (size_t i = 0; i < items->n; i++)
    for (size_t k = i + 1; k < items->n; k++) {
      size_t group = grouping->group_of[i];
      if (group == grouping->group_of[k] || exchange_cost(items, grouping, i, k) >= -least_gain)
        continue;
      grouping->group_of[i] = grouping->group_of[k];
      grouping->group_of[k] = group;
      found = true;
    }
  return found;
}

static double total_cost(const stock *items, const rb_grouping *grouping)
{
  double sum = 0;
  for (size_t i = 0; i < items->n; i++)
    for (size_t k = i + 1; k < items->n; k++)
      if (grouping->group_of[i] == grouping->group_of[k] &&
          grouping->group_of[i] < grouping->n_groups)
        sum += pair_cost(items, i, k);
  return sum;
}

rb_status rb_group(const double *cost, size_t n, size_t size, rb_arena *arena,
                   rb_grouping *grouping)
{
  if (size < 2 || size > n)
    return RB_BAD_ARG;
  stock items = {.cost = cost, .n = n, .size = size, .n_left_over = n % size};
  *grouping = (rb_grouping){.n_groups = n / size,
                            .group_of = rb_arena_alloc(arena, n, sizeof *grouping->group_of)};
  if (!grouping->group_of)
    return RB_NO_MEM;
  rb_arena_mark mark = rb_arena_save(arena);
  if (n <= (size == 2 ? MOST_IN_PAIRS : MOST_IN_GROUPS)) {
    RB_TRY(look_at_all(&items, arena, grouping));
  } else {
    grow(&items, grouping);
    while (better(&items, grouping))
      ;
    grouping->cost = total_cost(&items, grouping);
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}
