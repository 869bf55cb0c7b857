// SPDX-License-Identifier: GPL-3.0-or-later
#include "curve_effects.h"

#include "effects.h"

#include "rollbook/base/units.h"
#include "rollbook/stats/quantile.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

// Curves of more passes than this a side add nothing that could be seen.
enum { MOST_PASSES_A_SIDE = 48 };

static const double least_drift_free_df = 2;
static const double capture_df = 1e6;

// The curves of one pass, and the sitting it belongs to.
typedef struct pass_curves {
  uint32_t sitting;
  rb_results results;
} pass_curves;

// One curve over all sittings of the swap, on one grid. Arrays are sitting × point.
typedef struct curve_bundle {
  const rb_curve *grid;
  size_t n_sittings;
  double *n; // passes of each sitting
  double *mean, *squares, *capture_variance;
  bool has_uncertainty;
} curve_bundle;

static bool counts(const rb_table *table, const swap_sittings *sittings, size_t pass)
{
  const swap_sitting *sitting = &sittings->all[sittings->sitting_of_pass[pass]];
  return sitting->lineup < FIRST_OTHER_LINEUP && (table->passes[pass].settled || !sitting->settled);
}

// The newest passes of both sides, read from the book.
static rb_status read_passes(rb_book *book, const rb_table *table, const swap_sittings *sittings,
                             rb_arena *arena, pass_curves *passes, size_t *n, rb_err *err)
{
  size_t n_side[2] = {0, 0};
  *n = 0;
  for (size_t i = table->n_passes; i-- > 0;) {
    if (!counts(table, sittings, i))
      continue;
    uint32_t sitting = sittings->sitting_of_pass[i];
    if (n_side[sittings->all[sitting].lineup]++ >= MOST_PASSES_A_SIDE)
      continue;
    passes[*n] = (pass_curves){.sitting = sitting, .results = rb_results_in(arena)};
    RB_TRY(rb_book_results(book, table->passes[i].pass_id, true, &passes[*n].results, err));
    ++*n;
  }
  return RB_OK;
}

static const rb_curve *same_curve(const rb_results *results, const rb_curve *curve)
{
  for (size_t i = 0; i < results->n_curves; i++) {
    const rb_curve *other = &results->curves[i];
    if (other->channel == curve->channel && strcmp(other->key, curve->key) == 0 &&
        strcmp(other->condition, curve->condition) == 0 &&
        strcmp(other->y_unit, curve->y_unit) == 0 && strcmp(other->x_unit, curve->x_unit) == 0)
      return other;
  }
  return NULL;
}

// y of `curve` at x, between its points on a straight line; `*k` remembers the place, x must rise.
static bool value_at(const rb_curve *curve, const double *y, double x, size_t *k, double *value)
{
  while (*k < curve->n && curve->x[*k] < x)
    ++*k;
  if (*k == curve->n)
    return false;
  if (curve->x[*k] == x) {
    *value = y[*k];
    return true;
  }
  if (*k == 0)
    return false;
  double before = curve->x[*k - 1], share = (x - before) / (curve->x[*k] - before);
  *value = y[*k - 1] + share * (y[*k] - y[*k - 1]);
  return true;
}

// Adds one pass to its sitting; points the pass does not reach are NaN in the mean from then on.
static void add_pass(curve_bundle *bundle, uint32_t sitting, const rb_curve *curve)
{
  size_t n = bundle->grid->n, k = 0, k_uncertainty = 0;
  size_t row = (size_t)sitting * n;
  bool is_angle = strcmp(curve->y_unit, "deg") == 0;
  double passes = bundle->n[sitting] += 1;
  bundle->has_uncertainty = bundle->has_uncertainty && curve->uncertainty;
  for (size_t i = 0; i < n; i++) {
    double x = bundle->grid->x[i], y = NAN, u = 0;
    if (!value_at(curve, curve->y, x, &k, &y))
      y = NAN;
    if (is_angle)
      y = bundle->grid->y[i] + rb_fold_deg(y - bundle->grid->y[i]);
    if (curve->uncertainty && value_at(curve, curve->uncertainty, x, &k_uncertainty, &u))
      bundle->capture_variance[row + i] += u * u;
    double step = y - bundle->mean[row + i];
    bundle->mean[row + i] += step / passes;
    bundle->squares[row + i] += step * (y - bundle->mean[row + i]);
  }
}

static rb_status make_bundle(const rb_curve *grid, const swap_sittings *sittings,
                             const pass_curves *passes, size_t n_passes, rb_arena *arena,
                             curve_bundle *bundle)
{
  size_t n = sittings->n * grid->n;
  bundle->grid = grid;
  bundle->n_sittings = sittings->n;
  bundle->has_uncertainty = true;
  bundle->n = rb_arena_doubles(arena, sittings->n);
  bundle->mean = rb_arena_doubles(arena, n);
  bundle->squares = rb_arena_doubles(arena, n);
  bundle->capture_variance = rb_arena_doubles(arena, n);
  if (!bundle->n || !bundle->mean || !bundle->squares || !bundle->capture_variance)
    return RB_NO_MEM;
  for (size_t i = 0; i < n_passes; i++) {
    const rb_curve *curve = same_curve(&passes[i].results, grid);
    if (curve)
      add_pass(bundle, passes[i].sitting, curve);
  }
  return RB_OK;
}

// The sittings of a bundle at one point.
static size_t point_means(const curve_bundle *bundle, const swap_sittings *sittings, size_t point,
                          rb_sitting_mean *means, rb_spread *within, double *capture_variance)
{
  size_t n = 0;
  *within = (rb_spread){0};
  *capture_variance = 0;
  for (size_t s = 0; s < bundle->n_sittings; s++) {
    double passes = bundle->n[s];
    if (passes == 0)
      continue;
    size_t place = s * bundle->grid->n + point;
    means[n++] = (rb_sitting_mean){.lineup = sittings->all[s].lineup,
                                   .run = sittings->all[s].run,
                                   .time_s = sittings->all[s].time_s,
                                   .mean = bundle->mean[place],
                                   .weight = passes};
    rb_spread_add(within, bundle->squares[place], passes - 1);
    *capture_variance += bundle->capture_variance[place] / (passes * passes);
  }
  *capture_variance /= n ? (double)n : 1;
  return n;
}

static rb_status point_between(const rb_sitting_mean *means, size_t n, bool shared_run,
                               rb_arena *arena, rb_spread *between)
{
  *between = (rb_spread){0};
  if (shared_run)
    RB_TRY(rb_spread_without_drift(means, n, arena, between));
  if (between->df < least_drift_free_df)
    RB_TRY(rb_spread_of_sittings(means, n, arena, between));
  return RB_OK;
}

typedef struct curve_arrays {
  double *a, *b, *difference, *pointwise, *simultaneous;
} curve_arrays;

static double side_mean(const rb_sitting_mean *means, size_t n, uint32_t lineup)
{
  double sum = 0, count = 0;
  for (size_t i = 0; i < n; i++) {
    sum += means[i].lineup == lineup ? means[i].mean : 0;
    count += means[i].lineup == lineup;
  }
  return sum / count;
}

// One point of the difference. The band for all points at once is Bonferroni's: wide, but it holds
// however the points hang together.
static rb_status judge_point(const curve_bundle *bundle, const swap_sittings *sittings,
                             size_t point, rb_arena *arena, curve_arrays *arrays, rb_basis *basis)
{
  rb_sitting_mean *means = rb_arena_alloc(arena, bundle->n_sittings, sizeof *means);
  double *weights = rb_arena_doubles(arena, bundle->n_sittings);
  if (!means || !weights)
    return RB_NO_MEM;
  rb_spread within, between;
  double capture_variance = 0;
  bool shared_run = false, drift_removed = false;
  size_t n = point_means(bundle, sittings, point, means, &within, &capture_variance);
  RB_TRY(
      rb_swap_weights(means, n, LINEUP_A, LINEUP_B, arena, weights, &shared_run, &drift_removed));
  RB_TRY(point_between(means, n, shared_run, arena, &between));
  rb_difference found;
  *basis = between.df >= 1           ? RB_BASIS_SITTINGS
           : within.df >= 1          ? RB_BASIS_WITHIN
           : bundle->has_uncertainty ? RB_BASIS_CAPTURE
                                     : RB_BASIS_NONE;
  if (*basis == RB_BASIS_SITTINGS)
    found = rb_swap_difference(means, n, weights, &between, &within);
  else if (*basis == RB_BASIS_WITHIN)
    found = rb_swap_difference_within(means, n, weights, &within);
  else
    found = rb_swap_difference(
        means, n, weights,
        &(rb_spread){.variance = capture_variance, .df = capture_df, .weight = 1}, &within);
  arrays->a[point] = side_mean(means, n, LINEUP_A);
  arrays->b[point] = side_mean(means, n, LINEUP_B);
  arrays->difference[point] = found.estimate;
  arrays->pointwise[point] = rb_student_quantile(0.975, found.df) * found.standard_error;
  arrays->simultaneous[point] =
      rb_student_quantile(1 - 0.025 / (double)bundle->grid->n, found.df) * found.standard_error;
  return RB_OK;
}

// Cuts points that a sitting does not reach and hands the rest over.
static void write_curve(const curve_bundle *bundle, double *x, curve_arrays *arrays, rb_basis basis,
                        rb_curve_effect *effect)
{
  const rb_curve *grid = bundle->grid;
  size_t kept = 0;
  for (size_t i = 0; i < grid->n; i++) {
    if (!isfinite(arrays->difference[i]))
      continue;
    x[kept] = grid->x[i];
    arrays->a[kept] = arrays->a[i];
    arrays->b[kept] = arrays->b[i];
    arrays->difference[kept] = arrays->difference[i];
    arrays->pointwise[kept] = arrays->pointwise[i];
    arrays->simultaneous[kept++] = arrays->simultaneous[i];
  }
  *effect = (rb_curve_effect){.channel = grid->channel,
                              .n = kept,
                              .x = x,
                              .a = arrays->a,
                              .b = arrays->b,
                              .difference = arrays->difference,
                              .pointwise = basis == RB_BASIS_NONE ? NULL : arrays->pointwise,
                              .simultaneous = basis == RB_BASIS_NONE ? NULL : arrays->simultaneous,
                              .basis = basis};
  memcpy(effect->key, grid->key, sizeof effect->key);
  memcpy(effect->condition, grid->condition, sizeof effect->condition);
  memcpy(effect->x_unit, grid->x_unit, sizeof effect->x_unit);
  memcpy(effect->y_unit, grid->y_unit, sizeof effect->y_unit);
}

static rb_status compare_curve(const curve_bundle *bundle, const swap_sittings *sittings,
                               rb_arena *arena, rb_curve_effect *effect)
{
  size_t n = bundle->grid->n;
  double *x = rb_arena_doubles(arena, n);
  curve_arrays arrays = {rb_arena_doubles(arena, n), rb_arena_doubles(arena, n),
                         rb_arena_doubles(arena, n), rb_arena_doubles(arena, n),
                         rb_arena_doubles(arena, n)};
  if (!x || !arrays.a || !arrays.b || !arrays.difference || !arrays.pointwise ||
      !arrays.simultaneous)
    return RB_NO_MEM;
  rb_basis basis = RB_BASIS_NONE;
  for (size_t point = 0; point < n; point++) {
    rb_arena_mark mark = rb_arena_save(arena);
    RB_TRY(judge_point(bundle, sittings, point, arena, &arrays, &basis));
    rb_arena_rewind(arena, mark);
  }
  write_curve(bundle, x, &arrays, basis, effect);
  return RB_OK;
}

static bool on_both_sides(const rb_curve *curve, const swap_sittings *sittings,
                          const pass_curves *passes, size_t n)
{
  bool side[2] = {false, false};
  for (size_t i = 0; i < n; i++)
    if (same_curve(&passes[i].results, curve))
      side[sittings->all[passes[i].sitting].lineup] = true;
  return side[0] && side[1] && curve->n > 0;
}

static const pass_curves *grid_pass(const swap_sittings *sittings, const pass_curves *passes,
                                    size_t n)
{
  for (size_t i = 0; i < n; i++)
    if (sittings->all[passes[i].sitting].lineup == LINEUP_A)
      return &passes[i];
  return NULL;
}

static rb_status compare_all(const swap_sittings *sittings, const pass_curves *passes, size_t n,
                             rb_arena *arena, rb_comparison *comparison)
{
  const pass_curves *grids = grid_pass(sittings, passes, n);
  size_t n_curves = grids ? grids->results.n_curves : 0;
  comparison->curves = rb_arena_alloc(arena, n_curves, sizeof *comparison->curves);
  if (!comparison->curves)
    return RB_NO_MEM;
  for (size_t i = 0; i < n_curves; i++) {
    const rb_curve *grid = &grids->results.curves[i];
    if (!on_both_sides(grid, sittings, passes, n))
      continue;
    curve_bundle bundle = {0};
    RB_TRY(make_bundle(grid, sittings, passes, n, arena, &bundle));
    RB_TRY(compare_curve(&bundle, sittings, arena, &comparison->curves[comparison->n_curves]));
    comparison->n_curves += comparison->curves[comparison->n_curves].n > 0;
  }
  return RB_OK;
}

rb_status compare_curves(rb_book *book, const rb_table *table, rb_arena *arena,
                         rb_comparison *comparison, rb_err *err)
{
  swap_sittings sittings;
  pass_curves *passes = rb_arena_alloc(arena, 2 * (size_t)MOST_PASSES_A_SIDE, sizeof *passes);
  size_t n = 0;
  rb_status status = passes ? swap_sittings_gather(table, comparison->lineup_a.id,
                                                   comparison->lineup_b.id, arena, &sittings)
                            : RB_NO_MEM;
  if (status == RB_OK)
    RB_TRY(read_passes(book, table, &sittings, arena, passes, &n, err));
  if (status == RB_OK)
    status = compare_all(&sittings, passes, n, arena, comparison);
  if (status == RB_NO_MEM)
    return rb_fail(err, status, "Memory ran out while comparing curves.");
  return status;
}
