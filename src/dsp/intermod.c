// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/intermod.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/lines.h"

#include <complex.h>
#include <math.h>

static const double LEAST_S = 0.1;
static const double MOST_OFFSET = 3e-4;   // of a recorder's clock, relative
static const double TONE_OVER_NOISE = 10; // a tone is there when it is so far over the residual

/// A line at a·f1 + b·f2.
typedef struct product {
  int a, b;
} product;

// The lines that are read come first; the rest is fitted so that it does not lean on them.
enum { F1, F2, FIRST_PRODUCT };

static const product MODULATION[] = {{1, 0}, {0, 1},  {1, 1}, {-1, 1}, {2, 1}, {-2, 1},
                                     {3, 1}, {-3, 1}, {4, 1}, {-4, 1}, {2, 0}, {3, 0},
                                     {4, 0}, {5, 0},  {0, 2}, {0, 3}};
static const product DIFFERENCE[] = {{1, 0},  {0, 1},  {-1, 1}, {2, -1}, {-1, 2},
                                     {-2, 2}, {3, -2}, {-2, 3}, {-3, 3}, {2, 0}};

typedef struct fitted {
  rb_line_set set;
  size_t line_of[RB_LINES_MOST];   // of each product in the table; RB_LINES_MOST where left out
  double amplitude[RB_LINES_MOST]; // peak, noise taken off; by product
  double spread[RB_LINES_MOST];    // standard uncertainty of its cosine and sine part
  double f1_hz, f2_hz;
} fitted;

static double line_peak(const rb_line *line)
{
  return hypot(line->cosine, line->sine);
}

/// Power of the Hann-weighted Fourier sum at a frequency.
static double power_at(const double *samples, size_t n, double cycles_per_sample)
{
  const double step_rad = -2 * RB_PI * cycles_per_sample, window_rad = 2 * RB_PI / (double)n;
  const double complex turn = CMPLX(cos(step_rad), sin(step_rad));
  const double complex window_turn = CMPLX(cos(window_rad), sin(window_rad));
  double complex phasor = 1, window = 1, sum = 0;
  for (size_t i = 0; i < n; i++) {
    sum += (1 - creal(window)) * samples[i] * phasor;
    phasor *= turn;
    window *= window_turn;
  }
  return creal(sum * conj(sum));
}

/// Clock offset as the high tone shows it, to a tenth of 1/n: the least-squares fit starts there.
static double coarse_offset(const double *samples, size_t n, double cycles_per_sample)
{
  const double step = 0.5 / (double)n;
  const int reach = 2 + (int)ceil(MOST_OFFSET * cycles_per_sample / step);
  int best = 0;
  double best_power = 0, last_power = 0, before = 0, after = 0;
  for (int i = -reach; i <= reach; i++) {
    const double power = power_at(samples, n, cycles_per_sample + i * step);
    if (power > best_power) {
      best = i;
      best_power = power;
      before = last_power;
      after = 0;
    } else if (i == best + 1) {
      after = power;
    }
    last_power = power;
  }
  const double bend = before - 2 * best_power + after;
  const double fraction = bend < 0 ? 0.5 * (before - after) / bend : 0;
  return ((double)best + fraction) * step / cycles_per_sample;
}

/// The two tones alone: their frequencies. RB_NO_SIGNAL where one does not stand out.
static rb_status find_tones(const double *samples, size_t n, double rate_hz, rb_arena *arena,
                            fitted *f)
{
  const double offset = coarse_offset(samples, n, f->f2_hz / rate_hz);
  f->f1_hz *= 1 + offset;
  f->f2_hz *= 1 + offset;
  f->set = (rb_line_set){.n_lines = 2,
                         .n_groups = 2,
                         .line = {{.group = 0, .multiple = 1}, {.group = 1, .multiple = 1}},
                         .group = {{.cycles_per_sample = f->f1_hz / rate_hz},
                                   {.cycles_per_sample = f->f2_hz / rate_hz}}};
  RB_TRY(rb_lines_fit(samples, n, &f->set, arena));
  double power = 0;
  for (size_t i = 0; i < n; i++)
    power += samples[i] * samples[i] / (double)n;
  const double a = line_peak(&f->set.line[0]), b = line_peak(&f->set.line[1]);
  const double left = fmax(0, power - f->set.dc * f->set.dc - 0.5 * (a * a + b * b));
  const double spread = sqrt(2 * left / (double)n);
  if (!(fmin(a, b) > TONE_OVER_NOISE * spread) || !(fmin(a, b) > 1e-4 * fmax(a, b)))
    return RB_NO_SIGNAL;
  f->f1_hz = f->set.group[0].cycles_per_sample * rate_hz;
  f->f2_hz = f->set.group[1].cycles_per_sample * rate_hz;
  return RB_OK;
}

/// Both tones, free in frequency, with all products below half the rate at what their sums are.
static rb_status fit_products(const double *samples, size_t n, double rate_hz,
                              const product *products, size_t n_products, rb_arena *arena,
                              fitted *f)
{
  f->set = (rb_line_set){0};
  for (size_t i = 0; i < n_products; i++) {
    const double hz = products[i].a * f->f1_hz + products[i].b * f->f2_hz;
    f->line_of[i] = RB_LINES_MOST;
    if (hz < 5 / ((double)n / rate_hz) || hz > 0.49 * rate_hz)
      continue;
    const size_t k = f->set.n_lines++;
    f->line_of[i] = k;
    f->set.line[k] = (rb_line){.group = k, .multiple = 1};
    f->set.group[k] =
        (rb_line_group){.cycles_per_sample = hz / rate_hz, .fixed = i >= FIRST_PRODUCT};
  }
  f->set.n_groups = f->set.n_lines;
  RB_TRY(rb_lines_fit(samples, n, &f->set, arena));
  f->f1_hz = f->set.group[F1].cycles_per_sample * rate_hz;
  f->f2_hz = f->set.group[F2].cycles_per_sample * rate_hz;
  return RB_OK;
}

static void subtract_lines(const rb_line_set *set, const double *samples, size_t n, double *rest)
{
  const double middle = 0.5 * (double)(n - 1);
  for (size_t i = 0; i < n; i++)
    rest[i] = samples[i] - set->dc;
  for (size_t k = 0; k < set->n_lines; k++) {
    const double step_rad = 2 * RB_PI * rb_lines_frequency(set, k);
    const double complex turn = CMPLX(cos(step_rad), sin(step_rad));
    double complex phasor = CMPLX(cos(-step_rad * middle), sin(-step_rad * middle));
    for (size_t i = 0; i < n; i++) {
      rest[i] -= set->line[k].cosine * creal(phasor) + set->line[k].sine * cimag(phasor);
      phasor *= turn;
    }
  }
}

/// Mean power of the Hann-weighted residual beside a line: what noise adds to one fitted amplitude.
static double noise_beside(const double *rest, size_t n, double cycles_per_sample)
{
  static const double OFFSET_BINS[] = {-13.5, -10.5, -7.5, -4.5, 4.5, 7.5, 10.5, 13.5};
  double power = 0;
  for (size_t k = 0; k < RB_LEN(OFFSET_BINS); k++) {
    power += power_at(rest, n, cycles_per_sample + OFFSET_BINS[k] / (double)n) /
             (double)RB_LEN(OFFSET_BINS);
  }
  return power / (1.5 * (double)n); // variance per sample of white noise as dense
}

static rb_status measure(const double *samples, size_t n, double rate_hz, const product *products,
                         size_t n_products, rb_arena *arena, fitted *f)
{
  RB_TRY(find_tones(samples, n, rate_hz, arena, f));
  // Twice, since the first tones were found with the products leaning on them.
  RB_TRY(fit_products(samples, n, rate_hz, products, n_products, arena, f));
  RB_TRY(fit_products(samples, n, rate_hz, products, n_products, arena, f));
  double *rest = rb_arena_doubles(arena, n);
  if (rest == NULL)
    return RB_NO_MEM;
  subtract_lines(&f->set, samples, n, rest);
  for (size_t i = 0; i < n_products; i++) {
    const size_t k = f->line_of[i];
    f->amplitude[i] = f->spread[i] = 0;
    if (k == RB_LINES_MOST)
      continue;
    const double variance = 2 * noise_beside(rest, n, rb_lines_frequency(&f->set, k)) / (double)n;
    const double peak = line_peak(&f->set.line[k]);
    f->spread[i] = sqrt(variance);
    f->amplitude[i] = sqrt(fmax(0, peak * peak - 2 * variance));
  }
  return RB_OK;
}

/// Sum of the amplitudes of product `first` and, where counted, the next one, over `reference`.
static rb_estimate sum_ratio(const fitted *f, size_t first, bool pair, double reference)
{
  const size_t second = pair ? first + 1 : first;
  const double other = pair ? f->amplitude[second] : 0;
  const double spread = pair ? hypot(f->spread[first], f->spread[second]) : f->spread[first];
  // 95 % of noise alone: one Rayleigh amplitude stays below 2.45 of its parts' spread, the sum of
  // two such below 2.85·√2 of it (normal approximation to the sum).
  rb_estimate e = {.value = (f->amplitude[first] + other) / reference,
                   .uncertainty = spread / reference,
                   .floor = (pair ? 2.85 : 2.45) * spread / reference};
  e.resolved = e.value > e.floor;
  return e;
}

static rb_estimate root_of_squares(const rb_estimate *a, const rb_estimate *b)
{
  rb_estimate e = {.value = hypot(a->value, b->value),
                   .uncertainty = hypot(a->uncertainty, b->uncertainty),
                   .floor = hypot(a->floor, b->floor)};
  e.resolved = a->resolved || b->resolved;
  return e;
}

static bool makes_sense(size_t n, double rate_hz, double f1_hz, double f2_hz)
{
  const double duration_s = (double)n / rate_hz;
  return rate_hz > 0 && duration_s >= LEAST_S && f1_hz * duration_s >= 5 &&
         (f2_hz - f1_hz) * duration_s >= 5 && f2_hz < 0.49 * rate_hz;
}

rb_status rb_modulation_measure(const double *samples, size_t n, double rate_hz, double low_hz,
                                double high_hz, rb_arena *arena, rb_modulation *result)
{
  if (!makes_sense(n, rate_hz, low_hz, high_hz))
    return RB_BAD_ARG;
  const rb_arena_mark scratch = rb_arena_save(arena);
  fitted f = {.f1_hz = low_hz, .f2_hz = high_hz};
  const rb_status status = measure(samples, n, rate_hz, MODULATION, RB_LEN(MODULATION), arena, &f);
  rb_arena_rewind(arena, scratch);
  RB_TRY(status);
  *result = (rb_modulation){.low_hz = f.f1_hz,
                            .high_hz = f.f2_hz,
                            .low_rms = f.amplitude[F1] / sqrt(2),
                            .high_rms = f.amplitude[F2] / sqrt(2),
                            .second_ratio = sum_ratio(&f, FIRST_PRODUCT, true, f.amplitude[F2]),
                            .third_ratio = sum_ratio(&f, FIRST_PRODUCT + 2, true, f.amplitude[F2])};
  result->total_ratio = root_of_squares(&result->second_ratio, &result->third_ratio);
  return RB_OK;
}

rb_status rb_difference_measure(const double *samples, size_t n, double rate_hz, double f1_hz,
                                double f2_hz, double highest_hz, rb_arena *arena,
                                rb_difference *result)
{
  if (!makes_sense(n, rate_hz, f1_hz, f2_hz))
    return RB_BAD_ARG;
  const rb_arena_mark scratch = rb_arena_save(arena);
  fitted f = {.f1_hz = f1_hz, .f2_hz = f2_hz};
  const rb_status status = measure(samples, n, rate_hz, DIFFERENCE, RB_LEN(DIFFERENCE), arena, &f);
  rb_arena_rewind(arena, scratch);
  RB_TRY(status);
  const bool upper =
      f.line_of[FIRST_PRODUCT + 2] != RB_LINES_MOST && 2 * f.f2_hz - f.f1_hz <= highest_hz;
  const double reference = 2 * f.amplitude[F2];
  *result = (rb_difference){.f1_hz = f.f1_hz,
                            .f2_hz = f.f2_hz,
                            .f1_rms = f.amplitude[F1] / sqrt(2),
                            .f2_rms = f.amplitude[F2] / sqrt(2),
                            .second_ratio = sum_ratio(&f, FIRST_PRODUCT, false, reference),
                            .third_ratio = sum_ratio(&f, FIRST_PRODUCT + 1, upper, reference),
                            .third_upper_counted = upper};
  return RB_OK;
}
