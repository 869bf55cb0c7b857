// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/factors.h"
#include "rollbook/stats/quantile.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <string.h>

enum { MOST_FACTORS = 32, MOST_SITTINGS_NEEDED = 10000 };

// The design in the coordinates of its row space, where it has full rank.
typedef struct design {
  size_t n, columns, rank;
  double *rows;    // n × columns: constant, then one column a level
  double *basis;   // columns × rank, orthonormal: the row space
  double *reduced; // n × rank: rows · basis
} design;

static size_t count_columns(const rb_factor_data *data)
{
  size_t columns = 1;
  for (size_t f = 0; f < data->n_factors; f++)
    columns += (size_t)data->n_levels[f];
  return columns;
}

static size_t first_column(const rb_factor_data *data, size_t factor)
{
  size_t column = 1;
  for (size_t f = 0; f < factor; f++)
    column += (size_t)data->n_levels[f];
  return column;
}

static void fill_row(const rb_factor_data *data, const int *levels, unsigned left_out, double *row)
{
  row[0] = 1;
  size_t column = 1;
  for (size_t f = 0; f < data->n_factors; f++) {
    if (!(left_out >> f & 1u))
      row[column + (size_t)levels[f]] = 1;
    column += (size_t)data->n_levels[f];
  }
}

// Singular values under this share of the largest count as zero: the entries are 0 and 1, so a true
// one is many orders above rounding.
static const double rank_tolerance = 1e-9;

static rb_status find_row_space(design *d, rb_arena *arena)
{
  // GSL wants at least as many rows as columns; zero rows change nothing.
  const size_t tall = d->n > d->columns ? d->n : d->columns;
  double *u = rb_arena_doubles(arena, tall * d->columns);
  double *v = rb_arena_doubles(arena, d->columns * d->columns);
  double *s = rb_arena_doubles(arena, d->columns);
  double *work = rb_arena_doubles(arena, d->columns);
  d->basis = rb_arena_doubles(arena, d->columns * d->columns);
  d->reduced = rb_arena_doubles(arena, d->n * d->columns);
  if (!u || !v || !s || !work || !d->basis || !d->reduced)
    return RB_NO_MEM;
  memcpy(u, d->rows, d->n * d->columns * sizeof *u);
  gsl_matrix_view um = gsl_matrix_view_array(u, tall, d->columns);
  gsl_matrix_view vm = gsl_matrix_view_array(v, d->columns, d->columns);
  gsl_vector_view sv = gsl_vector_view_array(s, d->columns);
  gsl_vector_view wv = gsl_vector_view_array(work, d->columns);
  if (gsl_linalg_SV_decomp(&um.matrix, &vm.matrix, &sv.vector, &wv.vector) != 0)
    return RB_NO_CONVERGENCE;
  while (d->rank < d->columns && s[d->rank] > rank_tolerance * s[0])
    d->rank++;
  for (size_t c = 0; c < d->columns; c++)
    for (size_t r = 0; r < d->rank; r++)
      d->basis[c * d->rank + r] = v[c * d->columns + r];
  for (size_t i = 0; i < d->n; i++)
    for (size_t r = 0; r < d->rank; r++)
      d->reduced[i * d->rank + r] = u[i * d->columns + r] * s[r];
  return RB_OK;
}

static rb_status make_design(const rb_factor_data *data, unsigned left_out, rb_arena *arena,
                             design *d)
{
  *d = (design){.n = data->n_sittings, .columns = count_columns(data)};
  d->rows = rb_arena_doubles(arena, d->n * d->columns);
  if (!d->rows)
    return RB_NO_MEM;
  for (size_t i = 0; i < d->n; i++)
    fill_row(data, data->levels + i * data->n_factors, left_out, d->rows + i * d->columns);
  return find_row_space(d, arena);
}

// A weighted fit for one ratio of the variances.
typedef struct solution {
  double *coefficients; // rank
  double *inverse;      // rank × rank: (Zᵀ W Z)⁻¹
  double residual;      // Σ w r²
  double criterion;     // −2 log restricted likelihood, up to a constant
} solution;

static double weight_of(const rb_factor_data *data, size_t i, double ratio)
{
  return 1.0 / (ratio + 1.0 / data->n_passes[i]);
}

static void normal_equations(const rb_factor_data *data, const design *d, double ratio,
                             double *normal, double *right)
{
  memset(normal, 0, d->rank * d->rank * sizeof *normal);
  memset(right, 0, d->rank * sizeof *right);
  for (size_t i = 0; i < d->n; i++) {
    const double w = weight_of(data, i, ratio);
    const double *z = d->reduced + i * d->rank;
    for (size_t a = 0; a < d->rank; a++) {
      right[a] += w * z[a] * data->sitting_mean[i];
      for (size_t b = 0; b < d->rank; b++)
        normal[a * d->rank + b] += w * z[a] * z[b];
    }
  }
}

static double weighted_residual(const rb_factor_data *data, const design *d, double ratio,
                                const double *coefficients)
{
  double sum = 0;
  for (size_t i = 0; i < d->n; i++) {
    double r = data->sitting_mean[i];
    for (size_t a = 0; a < d->rank; a++)
      r -= d->reduced[i * d->rank + a] * coefficients[a];
    sum += weight_of(data, i, ratio) * r * r;
  }
  return sum;
}

static double restricted_criterion(const rb_factor_data *data, const design *d, double ratio,
                                   double log_determinant, double residual)
{
  const double free_df = (double)d->n - (double)d->rank;
  double sum = log_determinant;
  for (size_t i = 0; i < d->n; i++)
    sum -= log(weight_of(data, i, ratio));
  // The scale is profiled out; the passes' own spread, where known, speaks for the same scale.
  const double total_df = free_df + data->within_df;
  const double pooled = residual + data->within_df * data->within_variance;
  return total_df > 0 && pooled > 0 ? sum + total_df * log(pooled / total_df) : sum;
}

static rb_status solve(const rb_factor_data *data, const design *d, double ratio, rb_arena *arena,
                       solution *s)
{
  s->coefficients = rb_arena_doubles(arena, d->rank);
  s->inverse = rb_arena_doubles(arena, d->rank * d->rank);
  double *right = rb_arena_doubles(arena, d->rank);
  if (!s->coefficients || !s->inverse || !right)
    return RB_NO_MEM;
  normal_equations(data, d, ratio, s->inverse, right);
  gsl_matrix_view m = gsl_matrix_view_array(s->inverse, d->rank, d->rank);
  if (gsl_linalg_cholesky_decomp1(&m.matrix) != 0)
    return RB_NO_CONVERGENCE;
  double log_determinant = 0;
  for (size_t a = 0; a < d->rank; a++)
    log_determinant += 2 * log(s->inverse[a * d->rank + a]);
  gsl_vector_const_view b = gsl_vector_const_view_array(right, d->rank);
  gsl_vector_view x = gsl_vector_view_array(s->coefficients, d->rank);
  gsl_linalg_cholesky_solve(&m.matrix, &b.vector, &x.vector);
  gsl_linalg_cholesky_invert(&m.matrix);
  s->residual = weighted_residual(data, d, ratio, s->coefficients);
  s->criterion = restricted_criterion(data, d, ratio, log_determinant, s->residual);
  return RB_OK;
}

static rb_status criterion_at(const rb_factor_data *data, const design *d, double log_ratio,
                              rb_arena *arena, double *criterion)
{
  rb_arena_mark mark = rb_arena_save(arena);
  solution s = {0};
  const rb_status status = solve(data, d, exp(log_ratio), arena, &s);
  *criterion = s.criterion;
  rb_arena_rewind(arena, mark);
  return status;
}

// Golden section over the logarithm of the ratio; with equal numbers of passes and no spread known
// within them every ratio gives the same fit, and any will do.
static rb_status best_ratio(const rb_factor_data *data, const design *d, rb_arena *arena,
                            double *ratio)
{
  const double golden = 0.6180339887498949;
  double low = log(1e-6), high = log(1e6);
  double a = high - golden * (high - low), b = low + golden * (high - low), fa, fb;
  RB_TRY(criterion_at(data, d, a, arena, &fa));
  RB_TRY(criterion_at(data, d, b, arena, &fb));
  for (int i = 0; i < 60; i++) {
    if (fa < fb) {
      high = b;
      b = a;
      fb = fa;
      a = high - golden * (high - low);
      RB_TRY(criterion_at(data, d, a, arena, &fa));
    } else {
      low = a;
      a = b;
      fa = fb;
      b = low + golden * (high - low);
      RB_TRY(criterion_at(data, d, b, arena, &fb));
    }
  }
  *ratio = exp(0.5 * (low + high));
  return RB_OK;
}

// The part of a contrast that the design cannot see, as the factors it touches.
static unsigned unseen_factors(const rb_factor_data *data, const design *d, const double *contrast)
{
  unsigned factors = 0;
  for (size_t f = 0; f < data->n_factors; f++) {
    const size_t first = first_column(data, f);
    for (size_t c = first; c < first + (size_t)data->n_levels[f]; c++) {
      double seen = 0;
      for (size_t r = 0; r < d->rank; r++) {
        double along = 0;
        for (size_t k = 0; k < d->columns; k++)
          along += d->basis[k * d->rank + r] * contrast[k];
        seen += d->basis[c * d->rank + r] * along;
      }
      if (fabs(contrast[c] - seen) > 1e-6)
        factors |= 1u << f;
    }
  }
  return factors;
}

static void judge_level(const design *d, const solution *s, const double *contrast,
                        double scale_variance, double df, rb_level_effect *effect)
{
  double estimate = 0, variance = 0;
  for (size_t a = 0; a < d->rank; a++) {
    double along_a = 0;
    for (size_t c = 0; c < d->columns; c++)
      along_a += d->basis[c * d->rank + a] * contrast[c];
    estimate += along_a * s->coefficients[a];
    for (size_t b = 0; b < d->rank; b++) {
      double along_b = 0;
      for (size_t c = 0; c < d->columns; c++)
        along_b += d->basis[c * d->rank + b] * contrast[c];
      variance += along_a * along_b * s->inverse[a * d->rank + b];
    }
  }
  effect->effect = estimate;
  effect->standard_error = df > 0 ? sqrt(variance * scale_variance) : (double)INFINITY;
  const double half =
      df > 0 ? rb_student_quantile(0.975, df) * effect->standard_error : (double)INFINITY;
  effect->interval[0] = estimate - half;
  effect->interval[1] = estimate + half;
  if (df > 0 && effect->standard_error > 0)
    effect->p = rb_student_p(estimate / effect->standard_error, df);
}

static rb_status judge_levels(const rb_factor_data *data, const design *d, const solution *s,
                              double scale_variance, rb_arena *arena, rb_factor_fit *fit)
{
  fit->n_effects = d->columns - 1;
  fit->effects = rb_arena_alloc(arena, fit->n_effects, sizeof *fit->effects);
  double *contrast = rb_arena_doubles(arena, d->columns);
  if (!fit->effects || !contrast)
    return RB_NO_MEM;
  for (size_t f = 0, k = 0; f < data->n_factors; f++) {
    const size_t first = first_column(data, f);
    for (int level = 0; level < data->n_levels[f]; level++, k++) {
      rb_level_effect *effect = &fit->effects[k];
      *effect = (rb_level_effect){.factor = f, .level = level, .separable = true, .p = 1};
      if (level == 0)
        continue;
      memset(contrast, 0, d->columns * sizeof *contrast);
      contrast[first] = -1;
      contrast[first + (size_t)level] = 1;
      effect->mixed_with = unseen_factors(data, d, contrast);
      effect->separable = effect->mixed_with == 0;
      effect->mixed_with &= ~(1u << f);
      if (effect->separable)
        judge_level(d, s, contrast, scale_variance, fit->df, effect);
      else
        effect->interval[0] = -INFINITY, effect->interval[1] = INFINITY;
    }
  }
  return RB_OK;
}

static rb_status residual_without(const rb_factor_data *data, unsigned left_out, double ratio,
                                  rb_arena *arena, double *residual)
{
  rb_arena_mark mark = rb_arena_save(arena);
  design d;
  solution s = {0};
  rb_status status = make_design(data, left_out, arena, &d);
  if (status == RB_OK)
    status = solve(data, &d, ratio, arena, &s);
  *residual = s.residual;
  rb_arena_rewind(arena, mark);
  return status;
}

static rb_status share_out(const rb_factor_data *data, double full_residual, double ratio,
                           rb_arena *arena, rb_factor_fit *fit)
{
  fit->share = rb_arena_doubles(arena, data->n_factors);
  if (!fit->share)
    return RB_NO_MEM;
  const unsigned all = data->n_factors == MOST_FACTORS ? ~0u : (1u << data->n_factors) - 1;
  double total;
  RB_TRY(residual_without(data, all, ratio, arena, &total));
  if (!(total > 0))
    return RB_OK;
  double alone = 0;
  for (size_t f = 0; f < data->n_factors; f++) {
    double without;
    RB_TRY(residual_without(data, 1u << f, ratio, arena, &without));
    fit->share[f] = fmax(0, without - full_residual) / total;
    alone += fit->share[f];
  }
  fit->residual_share = full_residual / total;
  fit->joint_share = fmax(0, 1 - alone - fit->residual_share);
  return RB_OK;
}

static bool data_is_sound(const rb_factor_data *data)
{
  if (!data->n_sittings || !data->n_factors || data->n_factors > MOST_FACTORS)
    return false;
  for (size_t f = 0; f < data->n_factors; f++)
    if (data->n_levels[f] < 1)
      return false;
  for (size_t i = 0; i < data->n_sittings; i++) {
    if (data->n_passes[i] < 1 || !isfinite(data->sitting_mean[i]))
      return false;
    for (size_t f = 0; f < data->n_factors; f++) {
      const int level = data->levels[i * data->n_factors + f];
      if (level < 0 || level >= data->n_levels[f])
        return false;
    }
  }
  return true;
}

rb_status rb_factor_fit_sittings(const rb_factor_data *data, rb_arena *arena, rb_factor_fit *fit)
{
  *fit = (rb_factor_fit){0};
  if (!data_is_sound(data))
    return RB_BAD_ARG;
  design d;
  RB_TRY(make_design(data, 0, arena, &d));
  double ratio;
  RB_TRY(best_ratio(data, &d, arena, &ratio));
  solution s;
  RB_TRY(solve(data, &d, ratio, arena, &s));
  const double free_df = (double)d.n - (double)d.rank;
  const bool has_history = data->earlier_df > 0;
  fit->rank = d.rank;
  fit->between_ratio = ratio;
  fit->df = free_df + (has_history ? data->earlier_df : 0);
  // History speaks of one sitting's mean; in units of the weights that is (ratio + 1) times the
  // scale for a sitting of one pass.
  const double history = has_history ? data->earlier_df * data->earlier_variance / (ratio + 1) : 0;
  const double scale_variance = fit->df > 0 ? (s.residual + history) / fit->df : 0;
  fit->sitting_sd = sqrt(scale_variance * (ratio + 1));
  RB_TRY(judge_levels(data, &d, &s, scale_variance, arena, fit));
  return share_out(data, s.residual, ratio, arena, fit);
}

// What is known beforehand of an effect, in units of a sitting's spread: next to nothing. It keeps
// the information matrix regular while effects are not separable.
static const double prior_sd_in_sittings = 100.0;

static void add_information(double *covariance, size_t columns, const double *row, double *scratch)
{
  // Sherman & Morrison (1950): covariance after one more sitting with this row.
  double denominator = 1;
  for (size_t a = 0; a < columns; a++) {
    scratch[a] = 0;
    for (size_t b = 0; b < columns; b++)
      scratch[a] += covariance[a * columns + b] * row[b];
    denominator += row[a] * scratch[a];
  }
  for (size_t a = 0; a < columns; a++)
    for (size_t b = 0; b < columns; b++)
      covariance[a * columns + b] -= scratch[a] * scratch[b] / denominator;
}

static double summed_variance_cut(const rb_factor_data *data, const double *covariance,
                                  size_t columns, const double *row, double *scratch)
{
  double denominator = 1;
  for (size_t a = 0; a < columns; a++) {
    scratch[a] = 0;
    for (size_t b = 0; b < columns; b++)
      scratch[a] += covariance[a * columns + b] * row[b];
    denominator += row[a] * scratch[a];
  }
  double cut = 0;
  for (size_t f = 0, column = 1; f < data->n_factors; column += (size_t)data->n_levels[f], f++)
    for (int level = 1; level < data->n_levels[f]; level++) {
      const double change = scratch[column + (size_t)level] - scratch[column];
      cut += change * change / denominator;
    }
  return cut;
}

size_t rb_factor_next(const rb_factor_data *data, const int *candidates, size_t n_candidates,
                      size_t n_wanted, rb_arena *arena, size_t *chosen)
{
  const size_t columns = count_columns(data);
  double *covariance = rb_arena_doubles(arena, columns * columns);
  double *row = rb_arena_doubles(arena, columns);
  double *scratch = rb_arena_doubles(arena, columns);
  bool *used = rb_arena_alloc(arena, n_candidates, sizeof *used);
  if (!covariance || !row || !scratch || !used)
    return 0;
  for (size_t a = 0; a < columns; a++)
    covariance[a * columns + a] = prior_sd_in_sittings * prior_sd_in_sittings;
  for (size_t i = 0; i < data->n_sittings; i++) {
    memset(row, 0, columns * sizeof *row);
    fill_row(data, data->levels + i * data->n_factors, 0, row);
    add_information(covariance, columns, row, scratch);
  }
  size_t n_chosen = 0;
  while (n_chosen < n_wanted && n_chosen < n_candidates) {
    size_t best = n_candidates;
    double best_cut = -1;
    for (size_t i = 0; i < n_candidates; i++) {
      if (used[i])
        continue;
      memset(row, 0, columns * sizeof *row);
      fill_row(data, candidates + i * data->n_factors, 0, row);
      const double cut = summed_variance_cut(data, covariance, columns, row, scratch);
      if (cut > best_cut * (1 + 1e-9)) {
        best_cut = cut;
        best = i;
      }
    }
    memset(row, 0, columns * sizeof *row);
    fill_row(data, candidates + best * data->n_factors, 0, row);
    add_information(covariance, columns, row, scratch);
    used[best] = true;
    chosen[n_chosen++] = best;
  }
  return n_chosen;
}

size_t rb_sittings_needed(double between_sd, double within_sd, size_t n_passes, double change,
                          double power)
{
  const double variance = between_sd * between_sd + within_sd * within_sd / (double)n_passes;
  for (size_t n = 2; n <= MOST_SITTINGS_NEEDED; n++) {
    const double df = 2.0 * (double)n - 2.0;
    const double reach = rb_student_quantile(0.975, df) + rb_student_quantile(power, df);
    if (fabs(change) >= reach * sqrt(2 * variance / (double)n))
      return n;
  }
  return 0;
}
