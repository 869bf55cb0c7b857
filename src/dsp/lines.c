// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/lines.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/moments.h"

#include <math.h>

// Every column of the model is a sum of these, for one frequency each. EVEN ones are even in u, so
// their products with odd ones sum to nothing. dc is a cosine of frequency 0, the slope U_COSINE.
typedef enum shape { COSINE, U_SINE, SINE, U_COSINE, N_SHAPES } shape;

static bool is_even(shape s)
{
  return s == COSINE || s == U_SINE;
}

// ---- sums over the record in closed form
// ---------------------------------------------------------

// c0 = Σ cos θu, s1 = Σ u·sin θu, c2 = Σ u²·cos θu over u = −(n−1)/2 … (n−1)/2.
typedef struct kernel {
  double c0, s1, c2;
} kernel;

// Near θ = 0 (mod 2π) the closed forms cancel: the first terms of their series there.
static kernel kernel_series(double theta, double n)
{
  const double n2 = n * n, x = theta * theta;
  const double m2 = n * (n2 - 1) / 12;
  const double m4 = n * (n2 - 1) * (3 * n2 - 7) / 240;
  const double m6 = n * (n2 - 1) * (3 * n2 * n2 - 18 * n2 + 31) / 1344;
  return (kernel){.c0 = n - x * m2 / 2 + x * x * m4 / 24 - x * x * x * m6 / 720,
                  .s1 = theta * (m2 - x * m4 / 6 + x * x * m6 / 120),
                  .c2 = m2 - x * m4 / 2 + x * x * m6 / 24};
}

// c0 = sin(n·h)/sin(h) with h = θ/2; s1 = −dc0/dθ; c2 = −d²c0/dθ².
static kernel kernel_at(double theta, double n)
{
  if (fabs(theta) * n < 0.1)
    return kernel_series(theta, n);
  const double h = theta / 2, s = sin(h), c = cos(h), sn = sin(n * h), cn = cos(n * h);
  const double f = sn / s;
  const double slope = (n * cn - f * c) / s;
  const double bend = (-n * n * sn - 2 * slope * c + f * s) / s;
  return (kernel){.c0 = f, .s1 = -slope / 2, .c2 = -bend / 4};
}

// Σ shape_i(ω_i·u)·shape_k(ω_k·u) from the kernels at ω_i + ω_k and ω_i − ω_k.
static double product(shape i, shape k, const kernel *plus, const kernel *minus)
{
  if (is_even(i) != is_even(k))
    return 0;
  const bool sine_first = i == SINE || i == U_SINE;
  if (i != k) // one of the two carries u: Σ u·sin·cos; the difference counts from the sine
    return 0.5 * (sine_first ? plus->s1 + minus->s1 : plus->s1 - minus->s1);
  const bool carries_u = i == U_SINE || i == U_COSINE;
  const double p = carries_u ? plus->c2 : plus->c0, m = carries_u ? minus->c2 : minus->c0;
  return 0.5 * (sine_first ? m - p : m + p);
}

// ---- the model's columns
// -------------------------------------------------------------------------

enum { SLOTS_MOST = N_SHAPES * (RB_LINES_MOST + 1) };

// Slot 4·k + shape for line k; line n_lines is frequency 0 (dc and slope).
static size_t slot(size_t k, shape s)
{
  return N_SHAPES * k + (size_t)s;
}

// One parameter's column: a weighted sum of slots.
typedef struct model_column {
  size_t n;
  size_t *slots;
  double *weights;
} model_column;

typedef struct normal_system {
  size_t n_slots, n_parameters;
  double *gram;          // n_slots²: products of slots
  double *data;          // n_slots: samples against slots
  model_column *columns; // n_parameters
  double *matrix;        // n_parameters²
  double *vector;        // n_parameters
} normal_system;

double rb_lines_frequency(const rb_line_set *set, size_t k)
{
  return set->line[k].multiple * set->group[set->line[k].group].cycles_per_sample;
}

static size_t first_line_index(const rb_line_set *set)
{
  return set->has_slope ? 2 : 1;
}

size_t rb_lines_cosine_index(const rb_line_set *set, size_t k)
{
  return first_line_index(set) + 2 * k;
}

size_t rb_lines_n_parameters(const rb_line_set *set)
{
  size_t n = first_line_index(set) + 2 * set->n_lines;
  for (size_t g = 0; g < set->n_groups; g++)
    n += !set->group[g].fixed;
  return n;
}

size_t rb_lines_frequency_index(const rb_line_set *set, size_t group)
{
  if (set->group[group].fixed)
    return rb_lines_n_parameters(set);
  size_t index = first_line_index(set) + 2 * set->n_lines;
  for (size_t g = 0; g < group; g++)
    index += !set->group[g].fixed;
  return index;
}

static rb_status make_system(const rb_line_set *set, rb_arena *arena, normal_system *system)
{
  system->n_slots = N_SHAPES * (set->n_lines + 1);
  system->n_parameters = rb_lines_n_parameters(set);
  const size_t p = system->n_parameters, most = 2 * set->n_lines;
  system->gram = rb_arena_doubles(arena, system->n_slots * system->n_slots);
  system->data = rb_arena_doubles(arena, system->n_slots);
  system->matrix = rb_arena_doubles(arena, p * p);
  system->vector = rb_arena_doubles(arena, p);
  system->columns = rb_arena_alloc(arena, p, sizeof(model_column));
  if (!system->gram || !system->data || !system->matrix || !system->vector || !system->columns)
    return RB_NO_MEM;
  for (size_t i = 0; i < p; i++) {
    const size_t places = i < first_line_index(set) + 2 * set->n_lines ? 1 : most;
    system->columns[i].slots = rb_arena_alloc(arena, places, sizeof(size_t));
    system->columns[i].weights = rb_arena_doubles(arena, places);
    if (!system->columns[i].slots || !system->columns[i].weights)
      return RB_NO_MEM;
  }
  return RB_OK;
}

static double angular(const rb_line_set *set, size_t k)
{
  return k == set->n_lines ? 0 : 2 * RB_PI * rb_lines_frequency(set, k);
}

static void fill_gram(const rb_line_set *set, size_t n, normal_system *system)
{
  for (size_t a = 0; a <= set->n_lines; a++)
    for (size_t b = a; b <= set->n_lines; b++) {
      const kernel plus = kernel_at(angular(set, a) + angular(set, b), (double)n);
      const kernel minus = kernel_at(angular(set, a) - angular(set, b), (double)n);
      for (shape i = 0; i < N_SHAPES; i++)
        for (shape k = 0; k < N_SHAPES; k++) {
          const double value = product(i, k, &plus, &minus);
          system->gram[slot(a, i) * system->n_slots + slot(b, k)] = value;
          system->gram[slot(b, k) * system->n_slots + slot(a, i)] = value;
        }
    }
}

static void add_term(model_column *column, size_t slot_index, double weight)
{
  column->slots[column->n] = slot_index;
  column->weights[column->n++] = weight;
}

// The columns at the set's present amplitudes. Frequencies count in cycles per record (ν·n), so
// that all columns are of like size.
static void fill_columns(const rb_line_set *set, size_t n, normal_system *system)
{
  for (size_t i = 0; i < system->n_parameters; i++)
    system->columns[i].n = 0;
  add_term(&system->columns[0], slot(set->n_lines, COSINE), 1);
  if (set->has_slope)
    add_term(&system->columns[1], slot(set->n_lines, U_COSINE), 1);
  for (size_t k = 0; k < set->n_lines; k++) {
    const rb_line *line = &set->line[k];
    const size_t index = rb_lines_cosine_index(set, k);
    add_term(&system->columns[index], slot(k, COSINE), 1);
    add_term(&system->columns[index + 1], slot(k, SINE), 1);
    if (set->group[line->group].fixed)
      continue;
    const double scale = 2 * RB_PI * line->multiple / (double)n;
    model_column *frequency = &system->columns[rb_lines_frequency_index(set, line->group)];
    add_term(frequency, slot(k, U_SINE), -scale * line->cosine);
    add_term(frequency, slot(k, U_COSINE), scale * line->sine);
  }
}

// matrix[i][k] = Σ over the terms of columns i and k, each slot weighed by `slot_weights` (NULL:
// 1).
static void fill_matrix(const normal_system *system, size_t n_parameters,
                        const double *slot_weights, double *matrix)
{
  for (size_t i = 0; i < n_parameters; i++)
    for (size_t k = i; k < n_parameters; k++) {
      const model_column *a = &system->columns[i], *b = &system->columns[k];
      double sum = 0;
      for (size_t s = 0; s < a->n; s++)
        for (size_t t = 0; t < b->n; t++) {
          const double w = slot_weights ? slot_weights[a->slots[s]] * slot_weights[b->slots[t]] : 1;
          sum += w * a->weights[s] * b->weights[t] *
                 system->gram[a->slots[s] * system->n_slots + b->slots[t]];
        }
      matrix[i * n_parameters + k] = matrix[k * n_parameters + i] = sum;
    }
}

// ---- small dense algebra
// -------------------------------------------------------------------------

// Lower Cholesky factor in place, after scaling to unit diagonal; the scales in `scale`. False when
// the matrix is singular to working accuracy.
static bool factor(double *matrix, size_t n, double *scale)
{
  for (size_t i = 0; i < n; i++) {
    const double diagonal = matrix[i * n + i];
    scale[i] = diagonal > 0 ? 1 / sqrt(diagonal) : 1;
  }
  for (size_t i = 0; i < n; i++)
    for (size_t k = 0; k <= i; k++) {
      double sum = matrix[i * n + k] * scale[i] * scale[k];
      for (size_t j = 0; j < k; j++)
        sum -= matrix[i * n + j] * matrix[k * n + j];
      if (i == k && !(sum > 1e-11))
        return false;
      matrix[i * n + k] = i == k ? sqrt(sum) : sum / matrix[k * n + k];
    }
  return true;
}

static void solve(const double *lower, size_t n, const double *scale, double *vector)
{
  for (size_t i = 0; i < n; i++) {
    double sum = vector[i] * scale[i];
    for (size_t j = 0; j < i; j++)
      sum -= lower[i * n + j] * vector[j];
    vector[i] = sum / lower[i * n + i];
  }
  for (size_t i = n; i-- > 0;) {
    double sum = vector[i];
    for (size_t j = i + 1; j < n; j++)
      sum -= lower[j * n + i] * vector[j];
    vector[i] = sum / lower[i * n + i];
  }
  for (size_t i = 0; i < n; i++)
    vector[i] *= scale[i];
}

// ---- the fit
// -------------------------------------------------------------------------------------

static rb_status fill_data(const double *samples, size_t n, const rb_line_set *set, rb_arena *arena,
                           normal_system *system)
{
  double frequencies[RB_LINES_MOST + 1];
  rb_moment moments[RB_LINES_MOST + 1];
  for (size_t k = 0; k < set->n_lines; k++)
    frequencies[k] = rb_lines_frequency(set, k);
  frequencies[set->n_lines] = 0;
  RB_TRY(rb_moments(samples, n, frequencies, set->n_lines + 1, arena, moments));
  for (size_t k = 0; k <= set->n_lines; k++) {
    system->data[slot(k, COSINE)] = creal(moments[k].sum);
    system->data[slot(k, SINE)] = -cimag(moments[k].sum);
    system->data[slot(k, U_COSINE)] = creal(moments[k].first);
    system->data[slot(k, U_SINE)] = -cimag(moments[k].first);
  }
  return RB_OK;
}

// Samples minus the present model, against each slot.
static void residual_products(const rb_line_set *set, const normal_system *system, double *products)
{
  for (size_t i = 0; i < system->n_slots; i++) {
    const double *row = system->gram + i * system->n_slots;
    double sum = system->data[i] - set->dc * row[slot(set->n_lines, COSINE)] -
                 set->slope * row[slot(set->n_lines, U_COSINE)];
    for (size_t k = 0; k < set->n_lines; k++)
      sum -= set->line[k].cosine * row[slot(k, COSINE)] + set->line[k].sine * row[slot(k, SINE)];
    products[i] = sum;
  }
}

static void apply(rb_line_set *set, size_t n, const double *step, size_t n_parameters)
{
  set->dc += step[0];
  if (set->has_slope)
    set->slope += step[1];
  for (size_t k = 0; k < set->n_lines; k++) {
    set->line[k].cosine += step[rb_lines_cosine_index(set, k)];
    set->line[k].sine += step[rb_lines_cosine_index(set, k) + 1];
  }
  for (size_t g = 0; g < set->n_groups; g++) {
    const size_t index = rb_lines_frequency_index(set, g);
    if (index < n_parameters)
      set->group[g].cycles_per_sample += step[index] / (double)n;
  }
}

// One least-squares step in the first `n_parameters` parameters.
static rb_status take_step(rb_line_set *set, size_t n, size_t n_parameters, normal_system *system,
                           double *scale)
{
  double products[SLOTS_MOST];
  residual_products(set, system, products);
  fill_columns(set, n, system);
  for (size_t i = 0; i < n_parameters; i++) {
    system->vector[i] = 0;
    for (size_t s = 0; s < system->columns[i].n; s++)
      system->vector[i] += system->columns[i].weights[s] * products[system->columns[i].slots[s]];
  }
  fill_matrix(system, n_parameters, NULL, system->matrix);
  if (!factor(system->matrix, n_parameters, scale))
    return RB_NO_CONVERGENCE;
  solve(system->matrix, n_parameters, scale, system->vector);
  apply(set, n, system->vector, n_parameters);
  return RB_OK;
}

enum { MOST_STEPS = 12 };
#define LARGEST_STEP_BINS 0.5
#define STILL_BINS 1e-7
#define STILL_ALONE_BINS 1e-3

// Whether the last step was too small to matter: each frequency by itself, and in proportion to the
// group's amplitude for what it does to the others.
static bool stands_still(const rb_line_set *set, const normal_system *system)
{
  double amplitude[RB_LINE_GROUPS_MOST] = {0}, largest = 0;
  for (size_t k = 0; k < set->n_lines; k++) {
    const double size = hypot(set->line[k].cosine, set->line[k].sine) * set->line[k].multiple;
    amplitude[set->line[k].group] = fmax(amplitude[set->line[k].group], size);
    largest = fmax(largest, size);
  }
  for (size_t g = 0; g < set->n_groups; g++) {
    const size_t index = rb_lines_frequency_index(set, g);
    const double moved = index < system->n_parameters ? fabs(system->vector[index]) : 0;
    if (moved > STILL_ALONE_BINS || moved * amplitude[g] > STILL_BINS * largest)
      return false;
  }
  return true;
}

static bool has_run_away(const rb_line_set *set, const normal_system *system)
{
  for (size_t g = 0; g < set->n_groups; g++) {
    const size_t index = rb_lines_frequency_index(set, g);
    if (index < system->n_parameters && !(fabs(system->vector[index]) < LARGEST_STEP_BINS))
      return true;
  }
  return false;
}

static rb_status iterate(const double *samples, size_t n, rb_line_set *set, rb_arena *arena)
{
  normal_system system = {0};
  RB_TRY(make_system(set, arena, &system));
  double *scale = rb_arena_doubles(arena, system.n_parameters);
  if (!scale)
    return RB_NO_MEM;
  const size_t n_linear = first_line_index(set) + 2 * set->n_lines;
  for (int i = 0; i < MOST_STEPS; i++) {
    set->n_iterations++;
    RB_TRY(fill_data(samples, n, set, arena, &system));
    fill_gram(set, n, &system);
    RB_TRY(take_step(set, n, n_linear, &system, scale));
    if (n_linear == system.n_parameters)
      return RB_OK;
    RB_TRY(take_step(set, n, system.n_parameters, &system, scale));
    if (has_run_away(set, &system))
      return RB_NO_CONVERGENCE;
    if (stands_still(set, &system))
      return RB_OK;
  }
  return RB_NO_CONVERGENCE;
}

rb_status rb_lines_fit(const double *samples, size_t n, rb_line_set *set, rb_arena *arena)
{
  const rb_arena_mark mark = rb_arena_save(arena);
  const rb_status status = iterate(samples, n, set, arena);
  rb_arena_rewind(arena, mark);
  return status;
}

// ---- covariance
// ----------------------------------------------------------------------------------

// inverse ← inverse of the factored matrix; columns one by one.
static void invert(const double *lower, size_t n, const double *scale, double *inverse)
{
  for (size_t i = 0; i < n; i++) {
    for (size_t k = 0; k < n; k++)
      inverse[i * n + k] = i == k;
    solve(lower, n, scale, inverse + i * n);
  }
}

// c ← a·b for symmetric n × n matrices.
static void multiply(const double *a, const double *b, size_t n, double *c)
{
  for (size_t i = 0; i < n; i++) {
    for (size_t k = 0; k < n; k++)
      c[i * n + k] = 0;
    for (size_t j = 0; j < n; j++) {
      const double factor_ij = a[i * n + j];
      if (factor_ij != 0)
        for (size_t k = 0; k < n; k++)
          c[i * n + k] += factor_ij * b[j * n + k];
    }
  }
}

// Frequencies were counted in cycles per record inside.
static void rescale_frequencies(const rb_line_set *set, size_t n, size_t n_parameters,
                                double *covariance)
{
  const size_t first = first_line_index(set) + 2 * set->n_lines;
  for (size_t i = 0; i < n_parameters; i++)
    for (size_t k = 0; k < n_parameters; k++)
      covariance[i * n_parameters + k] /=
          (i >= first ? (double)n : 1) * (k >= first ? (double)n : 1);
}

static rb_status sandwich(const rb_line_set *set, size_t n, rb_arena *arena, double *covariance)
{
  normal_system system = {0};
  RB_TRY(make_system(set, arena, &system));
  const size_t p = system.n_parameters;
  double *scale = rb_arena_doubles(arena, p), *inverse = rb_arena_doubles(arena, p * p);
  double *middle = rb_arena_doubles(arena, p * p), *product = rb_arena_doubles(arena, p * p);
  if (!scale || !inverse || !middle || !product)
    return RB_NO_MEM;
  double slot_weights[SLOTS_MOST];
  for (size_t k = 0; k <= set->n_lines; k++)
    for (shape i = 0; i < N_SHAPES; i++)
      slot_weights[slot(k, i)] =
          sqrt(k < set->n_lines ? set->line[k].noise_variance : set->dc_noise_variance);
  fill_gram(set, n, &system);
  fill_columns(set, n, &system);
  fill_matrix(&system, p, NULL, system.matrix);
  fill_matrix(&system, p, slot_weights, middle);
  if (!factor(system.matrix, p, scale))
    return RB_NO_CONVERGENCE;
  invert(system.matrix, p, scale, inverse);
  multiply(inverse, middle, p, product);
  multiply(product, inverse, p, covariance);
  rescale_frequencies(set, n, p, covariance);
  return RB_OK;
}

rb_status rb_lines_covariance(const rb_line_set *set, size_t n, rb_arena *arena, double *covariance)
{
  const rb_arena_mark mark = rb_arena_save(arena);
  const rb_status status = sandwich(set, n, arena, covariance);
  rb_arena_rewind(arena, mark);
  return status;
}
