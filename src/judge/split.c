// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/split.h"

#include "rollbook/base/units.h"
#include "rollbook/stats/quantile.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

// Powers within this ratio are one level: drives are set to far better, clipping apart.
static const double same_level_share = 0.02;

typedef struct order_sum {
  size_t n;
  double real_pct, imag_pct; // means
  double squares;            // Σ of squared deviations, both parts
  double noise_variance;     // mean of sd²
} order_sum;

static int by_power(const void *a, const void *b)
{
  const double pa = ((const rb_split_point *)a)->power_w, pb = ((const rb_split_point *)b)->power_w;
  return (pa > pb) - (pa < pb);
}

static order_sum sum_of(const rb_split_point *points, size_t n, bool exchanged)
{
  order_sum s = {0};
  for (size_t i = 0; i < n; i++)
    if (points[i].exchanged == exchanged) {
      s.n++;
      s.real_pct += points[i].real_pct;
      s.imag_pct += points[i].imag_pct;
      s.noise_variance += points[i].sd_pct * points[i].sd_pct;
    }
  if (!s.n)
    return s;
  s.real_pct /= (double)s.n;
  s.imag_pct /= (double)s.n;
  s.noise_variance /= (double)s.n;
  for (size_t i = 0; i < n; i++)
    if (points[i].exchanged == exchanged)
      s.squares +=
          pow(points[i].real_pct - s.real_pct, 2) + pow(points[i].imag_pct - s.imag_pct, 2);
  return s;
}

static rb_split_part part_of(double real_pct, double imag_pct, double sd_pct, double reach)
{
  rb_split_part part = {.real_pct = real_pct, .imag_pct = imag_pct, .sd_pct = sd_pct};
  part.pct = hypot(real_pct, imag_pct);
  part.deg = part.pct > 0 ? rb_deg_from_rad(atan2(imag_pct, real_pct)) : 0;
  part.resolved = part.pct > reach * sd_pct;
  part.interval_pct[0] = part.resolved ? part.pct - reach * sd_pct : 0;
  part.interval_pct[1] = part.pct + reach * sd_pct;
  return part;
}

static rb_split_level split_level(const rb_split_point *points, const order_sum *before,
                                  const order_sum *exchanged)
{
  const double n1 = (double)before->n, n2 = (double)exchanged->n;
  // Both parts of each repeat speak for the same variance.
  const double df = 2 * (n1 + n2 - 2);
  double variance = (before->noise_variance + exchanged->noise_variance) / 2;
  double reach = rb_normal_quantile(0.975);
  if (df > 0) {
    variance = fmax(variance, (before->squares + exchanged->squares) / df);
    reach = rb_student_quantile(0.975, df);
  }
  const double sd_pct = 0.5 * sqrt(variance / n1 + variance / n2);
  return (rb_split_level){
      .power_w = points[0].power_w,
      .n_before = before->n,
      .n_exchanged = exchanged->n,
      .from_repeats = df > 0,
      .pair = part_of((before->real_pct - exchanged->real_pct) / 2,
                      (before->imag_pct - exchanged->imag_pct) / 2, sd_pct, reach),
      .rest = part_of((before->real_pct + exchanged->real_pct) / 2,
                      (before->imag_pct + exchanged->imag_pct) / 2, sd_pct, reach),
  };
}

rb_status rb_split_pair(const rb_split_point *points, size_t n, rb_arena *arena,
                        rb_split_level **levels, size_t *n_levels, rb_err *err)
{
  *n_levels = 0;
  rb_split_point *sorted = rb_arena_alloc(arena, n, sizeof *sorted);
  *levels = rb_arena_alloc(arena, n, sizeof **levels);
  if (!sorted || !*levels)
    return rb_fail(err, RB_NO_MEM, "Out of memory while splitting a pair.");
  if (!n)
    return rb_fail(err, RB_BAD_ARG,
                   "There is nothing to split: no capture holds a second harmonic.");
  memcpy(sorted, points, n * sizeof *sorted);
  qsort(sorted, n, sizeof *sorted, by_power);
  for (size_t first = 0, next; first < n; first = next) {
    next = first + 1;
    while (next < n && sorted[next].power_w <= sorted[first].power_w * (1 + same_level_share))
      next++;
    const order_sum before = sum_of(sorted + first, next - first, false);
    const order_sum exchanged = sum_of(sorted + first, next - first, true);
    if (!before.n || !exchanged.n)
      return rb_fail(err, RB_BAD_ARG,
                     "At %.3g W there is only a capture %s the tubes were exchanged; measure the "
                     "same levels in both orders.",
                     sorted[first].power_w, before.n ? "before" : "after");
    (*levels)[(*n_levels)++] = split_level(sorted + first, &before, &exchanged);
  }
  return RB_OK;
}

rb_split_strength rb_split_strength_of(const rb_split_part *pair,
                                       const rb_split_sensitivity *sensitivity)
{
  const double k = hypot(sensitivity->real_pct_per_pct, sensitivity->imag_pct_per_pct);
  if (!(k > 0))
    return (rb_split_strength){0};
  const double along_pct = (pair->real_pct * sensitivity->real_pct_per_pct +
                            pair->imag_pct * sensitivity->imag_pct_per_pct) /
                           k;
  const double strength_pct = along_pct / k;
  const double half_pct = rb_normal_quantile(0.975) *
                          hypot(pair->sd_pct / k, strength_pct * sensitivity->relative_pct / 100);
  return (rb_split_strength){
      .push_over_pull_pct = strength_pct,
      .interval_pct = {strength_pct - half_pct, strength_pct + half_pct},
      .resolved = fabs(strength_pct) > half_pct,
  };
}
