// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/sittings.h"

#include <math.h>
#include <string.h>

// A drift may cost this much variance: A-B-A-B costs 1.25, A-A-B 4.
static const double most_inflation = 2.0;

void rb_spread_add(rb_spread *spread, double sum_squares, double df)
{
  if (df <= 0)
    return;
  double total = spread->variance * spread->df + sum_squares;
  spread->df += df;
  spread->variance = total / spread->df;
}

// Adds a group's sittings to the harmonic mean of their passes; `*inverse` is Σ 1/weight.
static void finish_weight(rb_spread *spread, double inverse, double n)
{
  spread->weight = inverse > 0 ? n / inverse : 0;
}

// Moves the sittings of the first entry's group (line-up, and run unless ignored) to the front and
// returns how many there are. Sorting by swapping keeps the whole at O(n · groups).
static size_t take_group(rb_sitting_mean *sittings, size_t n, bool by_lineup, bool by_run)
{
  const rb_sitting_mean first = sittings[0];
  size_t taken = 0;
  for (size_t i = 0; i < n; i++) {
    if ((by_lineup && sittings[i].lineup != first.lineup) ||
        (by_run && sittings[i].run != first.run))
      continue;
    rb_sitting_mean moved = sittings[i];
    sittings[i] = sittings[taken];
    sittings[taken++] = moved;
  }
  return taken;
}

static double group_mean(const rb_sitting_mean *group, size_t n)
{
  double sum = 0;
  for (size_t i = 0; i < n; i++)
    sum += group[i].mean;
  return sum / (double)n;
}

static rb_sitting_mean *copy_of(const rb_sitting_mean *sittings, size_t n, rb_arena *arena)
{
  rb_sitting_mean *copy = rb_arena_alloc(arena, n, sizeof *copy);
  if (copy && n)
    memcpy(copy, sittings, n * sizeof *copy);
  return copy;
}

rb_status rb_spread_of_sittings(const rb_sitting_mean *sittings, size_t n, rb_arena *arena,
                                rb_spread *spread)
{
  rb_arena_mark mark = rb_arena_save(arena);
  rb_sitting_mean *rest = copy_of(sittings, n, arena);
  if (!rest)
    return RB_NO_MEM;
  double inverse = 0, counted = 0;
  *spread = (rb_spread){0};
  while (n > 0) {
    size_t taken = take_group(rest, n, true, false);
    double mean = group_mean(rest, taken), squares = 0;
    for (size_t i = 0; i < taken; i++) {
      squares += (rest[i].mean - mean) * (rest[i].mean - mean);
      inverse += taken > 1 ? 1 / rest[i].weight : 0;
    }
    counted += taken > 1 ? (double)taken : 0;
    rb_spread_add(spread, squares, (double)taken - 1);
    rest += taken;
    n -= taken;
  }
  finish_weight(spread, inverse, counted);
  rb_arena_rewind(arena, mark);
  return RB_OK;
}

// Sums of squares and products of reading y, covariate c and time t.
typedef struct run_sums {
  double yy, cy, cc, ty, tc, tt, df, inverse, n;
} run_sums;

// Sums of a run after each line-up's own mean is taken off (Frisch & Waugh, Econometrica 1, 1933:
// the other coefficients are then plain regressions of what is left).
static run_sums sums_within_lineups(rb_sitting_mean *run, size_t n)
{
  run_sums sums = {.n = (double)n};
  while (n > 0) {
    size_t taken = take_group(run, n, true, false);
    double mean = group_mean(run, taken), time_s = 0, covariate = 0;
    for (size_t i = 0; i < taken; i++) {
      time_s += run[i].time_s / (double)taken;
      covariate += run[i].covariate / (double)taken;
    }
    for (size_t i = 0; i < taken; i++) {
      double y = run[i].mean - mean, t = run[i].time_s - time_s;
      double c = run[i].covariate - covariate;
      sums.yy += y * y;
      sums.cy += c * y;
      sums.cc += c * c;
      sums.ty += t * y;
      sums.tc += t * c;
      sums.tt += t * t;
      sums.inverse += 1 / run[i].weight;
    }
    sums.df += (double)taken - 1;
    run += taken;
    n -= taken;
  }
  return sums;
}

// Takes the run's drift off and adds what is left; runs too short for that add nothing.
static void add_run(const run_sums *run, run_sums *all)
{
  if (run->df < 2 || run->tt <= 0)
    return;
  all->yy += fmax(run->yy - run->ty * run->ty / run->tt, 0);
  all->cy += run->cy - run->tc * run->ty / run->tt;
  all->cc += fmax(run->cc - run->tc * run->tc / run->tt, 0);
  all->df += run->df - 1;
  all->inverse += run->inverse;
  all->n += run->n;
}

static rb_status sum_runs(const rb_sitting_mean *sittings, size_t n, rb_arena *arena, run_sums *all)
{
  rb_arena_mark mark = rb_arena_save(arena);
  rb_sitting_mean *rest = copy_of(sittings, n, arena);
  if (!rest)
    return RB_NO_MEM;
  *all = (run_sums){0};
  while (n > 0) {
    size_t taken = take_group(rest, n, false, true);
    run_sums run = sums_within_lineups(rest, taken);
    add_run(&run, all);
    rest += taken;
    n -= taken;
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}

rb_status rb_spread_without_drift(const rb_sitting_mean *sittings, size_t n, rb_arena *arena,
                                  rb_spread *spread)
{
  run_sums all;
  rb_status status = sum_runs(sittings, n, arena, &all);
  *spread = (rb_spread){0};
  if (status != RB_OK)
    return status;
  rb_spread_add(spread, all.yy, all.df);
  finish_weight(spread, all.inverse, all.n);
  return RB_OK;
}

rb_status rb_covariate_fit_sittings(const rb_sitting_mean *sittings, size_t n, rb_arena *arena,
                                    rb_covariate_fit *fit)
{
  run_sums all;
  rb_status status = sum_runs(sittings, n, arena, &all);
  *fit = (rb_covariate_fit){0};
  if (status != RB_OK || all.cc <= 0)
    return status;
  fit->sum_squares = all.cc;
  fit->slope = all.cy / all.cc;
  rb_spread_add(&fit->spread, fmax(all.yy - all.cy * fit->slope, 0), all.df - 1);
  finish_weight(&fit->spread, all.inverse, all.n);
  return RB_OK;
}

// ---- weights ------------------------------------------------------------------------------------

// A sitting of the swap, with what is left of "is B" when level and drift are taken off.
typedef struct swap_row {
  size_t place; // in the caller's array
  uint32_t run;
  double time_s;
  double is_b;
} swap_row;

static size_t rows_of_swap(const rb_sitting_mean *sittings, size_t n, uint32_t a, uint32_t b,
                           swap_row *rows)
{
  size_t n_rows = 0;
  for (size_t i = 0; i < n; i++)
    if (sittings[i].lineup == a || sittings[i].lineup == b)
      rows[n_rows++] = (swap_row){.place = i,
                                  .run = sittings[i].run,
                                  .time_s = sittings[i].time_s,
                                  .is_b = sittings[i].lineup == b};
  return n_rows;
}

static size_t take_run(swap_row *rows, size_t n)
{
  uint32_t run = rows[0].run;
  size_t taken = 0;
  for (size_t i = 0; i < n; i++) {
    if (rows[i].run != run)
      continue;
    swap_row moved = rows[i];
    rows[i] = rows[taken];
    rows[taken++] = moved;
  }
  return taken;
}

// Takes the mean off `is_b` and time, then the drift where it is cheap. Returns Σ is_b² of what is
// left: the run's information on B minus A; 0 where it holds only one of the line-ups.
static double centre_run(swap_row *rows, size_t n, bool *drift_removed)
{
  double b = 0, t = 0, bb = 0, bt = 0, tt = 0;
  for (size_t i = 0; i < n; i++) {
    b += rows[i].is_b / (double)n;
    t += rows[i].time_s / (double)n;
  }
  for (size_t i = 0; i < n; i++) {
    rows[i].is_b -= b;
    rows[i].time_s -= t;
    bb += rows[i].is_b * rows[i].is_b;
    bt += rows[i].is_b * rows[i].time_s;
    tt += rows[i].time_s * rows[i].time_s;
  }
  if (tt <= 0 || n < 3 || bb <= 0)
    return bb;
  double left = bb - bt * bt / tt;
  if (left * most_inflation < bb)
    return bb;
  for (size_t i = 0; i < n; i++)
    rows[i].is_b -= bt / tt * rows[i].time_s;
  *drift_removed = true;
  return left;
}

static double information(swap_row *rows, size_t n, bool *drift_removed)
{
  double sum = 0;
  while (n > 0) {
    size_t taken = take_run(rows, n);
    double part = centre_run(rows, taken, drift_removed);
    for (size_t i = 0; part <= 0 && i < taken; i++)
      rows[i].is_b = 0; // The other line-up is not in this run.
    sum += fmax(part, 0);
    rows += taken;
    n -= taken;
  }
  return sum;
}

rb_status rb_swap_weights(const rb_sitting_mean *sittings, size_t n, uint32_t a, uint32_t b,
                          rb_arena *arena, double *weights, bool *shared_run, bool *drift_removed)
{
  rb_arena_mark mark = rb_arena_save(arena);
  swap_row *rows = rb_arena_alloc(arena, n, sizeof *rows);
  if (!rows)
    return RB_NO_MEM;
  memset(weights, 0, n * sizeof *weights);
  *drift_removed = false;
  size_t n_rows = rows_of_swap(sittings, n, a, b, rows);
  double sum = information(rows, n_rows, drift_removed);
  *shared_run = sum > 0;
  if (!*shared_run) {
    n_rows = rows_of_swap(sittings, n, a, b, rows);
    for (size_t i = 0; i < n_rows; i++)
      rows[i].run = 0;
    for (size_t i = 0; i < n_rows; i++)
      rows[i].time_s = 0;
    sum = n_rows ? information(rows, n_rows, drift_removed) : 0;
  }
  for (size_t i = 0; sum > 0 && i < n_rows; i++)
    weights[rows[i].place] = rows[i].is_b / sum;
  rb_arena_rewind(arena, mark);
  return sum > 0 ? RB_OK : RB_BAD_ARG;
}

// ---- difference ---------------------------------------------------------------------------------

// Weighted sums over the sittings of a swap.
typedef struct swap_sums {
  double estimate, covariate, squares, squares_over_passes;
} swap_sums;

static swap_sums sum_weighted(const rb_sitting_mean *sittings, size_t n, const double *weights)
{
  swap_sums sums = {0};
  for (size_t i = 0; i < n; i++) {
    sums.estimate += weights[i] * sittings[i].mean;
    sums.covariate += weights[i] * sittings[i].covariate;
    sums.squares += weights[i] * weights[i];
    sums.squares_over_passes += weights[i] * weights[i] / sittings[i].weight;
  }
  return sums;
}

// A sitting's mean has variance between + within / passes. The pooled spread of means stands for
// its own number of passes; where these sittings have fewer, the rest is added. Where they have
// more nothing is taken off: a difference of two estimates would have next to no degrees of
// freedom.
static rb_difference difference_of(const swap_sums *sums, double more_squares,
                                   const rb_spread *between, const rb_spread *within)
{
  double more =
      between->weight > 0 ? sums->squares_over_passes - sums->squares / between->weight : 0;
  rb_variance_part parts[2] = {
      {.coefficient = sums->squares + more_squares,
       .variance = between->variance,
       .df = between->df},
      {.coefficient = more, .variance = within->variance, .df = within->df}};
  bool passes_differ = within->df > 0 && more > 1e-9 * sums->squares;
  return rb_difference_from_parts(sums->estimate, parts, passes_differ ? 2 : 1);
}

rb_difference rb_swap_difference(const rb_sitting_mean *sittings, size_t n, const double *weights,
                                 const rb_spread *between, const rb_spread *within)
{
  swap_sums sums = sum_weighted(sittings, n, weights);
  return difference_of(&sums, 0, between, within);
}

rb_difference rb_swap_difference_covariate(const rb_sitting_mean *sittings, size_t n,
                                           const double *weights, const rb_covariate_fit *fit,
                                           const rb_spread *within)
{
  swap_sums sums = sum_weighted(sittings, n, weights);
  sums.estimate -= fit->slope * sums.covariate;
  return difference_of(&sums, sums.covariate * sums.covariate / fit->sum_squares, &fit->spread,
                       within);
}

rb_difference rb_swap_difference_within(const rb_sitting_mean *sittings, size_t n,
                                        const double *weights, const rb_spread *within)
{
  swap_sums sums = sum_weighted(sittings, n, weights);
  rb_variance_part part = {
      .coefficient = sums.squares_over_passes, .variance = within->variance, .df = within->df};
  return rb_difference_from_parts(sums.estimate, &part, 1);
}
