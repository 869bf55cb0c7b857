// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/comb.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LEAST_S = 0.5, HIGHEST_LINE_HZ = 2000, DECIMATED_HZ = 5000;
static const double LOWEST_HZ = 20;         // what lies below is drift, not hum
static const double CLEAR_POWER_RATIO = 25; // noise passes it once in some 10⁶ candidates
static const double LINE_POWER_RATIO = 4;   // lines weaker than this tell nothing about the base

/// The signal below half of DECIMATED_HZ, Hann-weighted (mean 1), with what refining needs.
typedef struct slow {
  double *windowed;
  size_t n;
  double step_s;                           // between samples
  double sum_w, sum_w2, sum_wt2, sum_w2t2; // of the window, t from its middle
} slow;

/// Power of the windowed signal, zero-padded to twice its length, and the noise in it.
typedef struct power_map {
  double *power; // n_bins
  double *noise; // mean noise power of each stretch of bins
  size_t n_bins, stretch;
  double bin_hz;
} power_map;

static rb_status keep_low_bins(const double *samples, size_t n, size_t factor, double bin_hz,
                               double *out, rb_arena *arena)
{
  rb_fft *whole = rb_fft_new(n), *part = rb_fft_new(n / factor);
  double complex *spectrum = rb_arena_alloc(arena, n / 2 + 1, sizeof *spectrum);
  const int complete = whole != NULL && part != NULL && spectrum != NULL;
  if (complete) {
    rb_fft_forward(whole, samples, spectrum);
    for (size_t k = 0; k <= n / factor / 2; k++)
      spectrum[k] *= (double)k * bin_hz < LOWEST_HZ ? 0 : 1 / (double)factor;
    rb_fft_inverse(part, spectrum, out);
  }
  rb_fft_free(whole);
  rb_fft_free(part);
  return complete ? RB_OK : RB_NO_MEM;
}

/// Slows the signal down in the frequency domain: exact, but for its ends, which the window hides.
static rb_status slow_down(const double *samples, size_t n, double rate_hz, rb_arena *arena,
                           slow *s)
{
  const size_t factor = (size_t)floor(rate_hz / DECIMATED_HZ);
  n -= n % (2 * factor);
  *s = (slow){.n = n / factor, .step_s = (double)factor / rate_hz};
  s->windowed = rb_arena_doubles(arena, s->n);
  if (s->windowed == NULL)
    return RB_NO_MEM;
  const rb_arena_mark scratch = rb_arena_save(arena);
  const rb_status status =
      keep_low_bins(samples, n, factor, rate_hz / (double)n, s->windowed, arena);
  rb_arena_rewind(arena, scratch);
  for (size_t i = 0; i < s->n; i++) {
    const double w = 1 - cos(2 * RB_PI * (double)i / (double)s->n);
    const double t = ((double)i - 0.5 * (double)s->n) * s->step_s;
    s->windowed[i] *= w;
    s->sum_w += w;
    s->sum_w2 += w * w;
    s->sum_wt2 += w * t * t;
    s->sum_w2t2 += w * w * t * t;
  }
  return status;
}

static int ascending(const void *a, const void *b)
{
  const double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/// Noise of each stretch of bins: its median, which no line in it moves, over that of an
/// exponential distribution of mean 1.
static void map_noise(power_map *map, double *scratch)
{
  for (size_t first = 0, i = 0; first < map->n_bins; first += map->stretch, i++) {
    const size_t n = first + map->stretch <= map->n_bins ? map->stretch : map->n_bins - first;
    memcpy(scratch, map->power + first, n * sizeof *scratch);
    qsort(scratch, n, sizeof *scratch, ascending);
    map->noise[i] = scratch[n / 2] / log(2);
    if (i > 0 && n < map->stretch / 2)
      map->noise[i] = map->noise[i - 1];
  }
}

static rb_status map_power(const slow *s, rb_arena *arena, power_map *map)
{
  const size_t n_fft = rb_fft_good_size(2 * s->n);
  *map = (power_map){.n_bins = n_fft / 2 + 1, .bin_hz = 1 / (s->step_s * (double)n_fft)};
  map->stretch = (size_t)fmax(60, 12 / map->bin_hz);
  map->power = rb_arena_doubles(arena, map->n_bins);
  map->noise = rb_arena_doubles(arena, map->n_bins / map->stretch + 1);
  const rb_arena_mark scratch = rb_arena_save(arena);
  double *padded = rb_arena_doubles(arena, n_fft);
  double complex *spectrum = rb_arena_alloc(arena, map->n_bins, sizeof *spectrum);
  rb_fft *fft = rb_fft_new(n_fft);
  const int complete =
      map->power != NULL && map->noise != NULL && padded != NULL && spectrum != NULL && fft != NULL;
  if (complete) {
    memcpy(padded, s->windowed, s->n * sizeof *padded);
    rb_fft_forward(fft, padded, spectrum);
    for (size_t k = 0; k < map->n_bins; k++)
      map->power[k] = creal(spectrum[k] * conj(spectrum[k]));
    map_noise(map, padded);
  }
  rb_fft_free(fft);
  rb_arena_rewind(arena, scratch);
  return complete ? RB_OK : RB_NO_MEM;
}

static double noise_at(const power_map *map, double freq_hz)
{
  const size_t bin = (size_t)fmin((double)map->n_bins - 1, freq_hz / map->bin_hz + 0.5);
  // A silent stretch (digital silence) still needs a denominator.
  return fmax(map->noise[bin / map->stretch], 1e-300);
}

static size_t lines_below(double base_hz, double half_rate_hz)
{
  const double highest_hz = fmin(HIGHEST_LINE_HZ, 0.95 * half_rate_hz);
  return (size_t)fmin(RB_COMB_LINES, floor(highest_hz / base_hz));
}

/// How much of the spectrum a comb of this base explains: many lines count more than one strong.
static double comb_score(const power_map *map, double base_hz, size_t n_lines)
{
  double score = 0;
  for (size_t line = 1; line <= n_lines; line++) {
    const double line_hz = (double)line * base_hz;
    score += log1p(map->power[(size_t)(line_hz / map->bin_hz + 0.5)] / noise_at(map, line_hz));
  }
  return score;
}

static double best_base(const power_map *map, const slow *s, double low_hz, double high_hz)
{
  const double step_hz = 1 / (20 * (double)s->n * s->step_s);
  const size_t n_lines = lines_below(high_hz, 0.5 / s->step_s);
  double best_hz = low_hz, best_score = -1;
  for (double base_hz = low_hz; base_hz <= high_hz; base_hz += step_hz) {
    const double score = comb_score(map, base_hz, n_lines);
    if (score > best_score) {
      best_score = score;
      best_hz = base_hz;
    }
  }
  return best_hz;
}

/// Fourier sum of the windowed signal at `freq_hz` and the same with time (from the middle) as a
/// further factor; angles count from the first sample.
static void moments(const slow *s, double freq_hz, double complex *sum, double complex *with_time)
{
  // Real arithmetic: C's complex product looks for infinities at every step.
  const double step_rad = -2 * RB_PI * freq_hz * s->step_s;
  const double step_c = cos(step_rad), step_s = sin(step_rad);
  double c = 1, d = 0, real = 0, imaginary = 0, timed_real = 0, timed_imaginary = 0;
  for (size_t i = 0; i < s->n; i++) {
    const double x_c = s->windowed[i] * c, x_d = s->windowed[i] * d;
    const double t = ((double)i - 0.5 * (double)s->n) * s->step_s;
    real += x_c;
    imaginary += x_d;
    timed_real += x_c * t;
    timed_imaginary += x_d * t;
    const double turned = c * step_c - d * step_s;
    d = c * step_s + d * step_c;
    c = turned;
  }
  *sum = CMPLX(real, imaginary);
  *with_time = CMPLX(timed_real, timed_imaginary);
}

/// One Gauss–Newton step: a tone δ off the sum's frequency shows an imaginary first moment of
/// 2πδ·Σwt²/Σw. Returns the step of the base; `information` is the inverse of its variance.
static double refine(const slow *s, const power_map *map, double base_hz, size_t n_lines,
                     double *information)
{
  double weighted = 0;
  *information = 0;
  for (size_t line = 1; line <= n_lines; line++) {
    const double line_hz = (double)line * base_hz, noise = noise_at(map, line_hz);
    if (map->power[(size_t)(line_hz / map->bin_hz + 0.5)] < LINE_POWER_RATIO * noise)
      continue;
    double complex sum, timed;
    moments(s, line_hz, &sum, &timed);
    const double power = fmax(creal(sum * conj(sum)), 1e-300);
    const double per_hz = 2 * RB_PI * s->sum_wt2 / s->sum_w * (double)line;
    const double step_hz = cimag(timed * conj(sum)) / power / per_hz;
    const double variance = 0.5 * noise * s->sum_w2t2 / s->sum_w2 / (power * per_hz * per_hz);
    weighted += step_hz / variance;
    *information += 1 / variance;
  }
  return *information > 0 ? weighted / *information : 0;
}

static void measure_lines(const slow *s, const power_map *map, rb_comb *comb)
{
  comb->found = false;
  for (size_t line = 1; line <= comb->n_lines; line++) {
    const double noise = noise_at(map, (double)line * comb->base_hz);
    double complex sum, timed;
    moments(s, (double)line * comb->base_hz, &sum, &timed);
    comb->cosine[line] = 2 * creal(sum) / s->sum_w;
    comb->sine[line] = -2 * cimag(sum) / s->sum_w;
    comb->noise_rms[line] = sqrt(2 * noise) / s->sum_w;
    if (creal(sum * conj(sum)) > CLEAR_POWER_RATIO * noise)
      comb->found = true;
  }
}

static rb_status fit(const double *samples, size_t n, double rate_hz, double low_hz, double high_hz,
                     rb_arena *arena, rb_comb *comb)
{
  slow s;
  power_map map;
  RB_TRY(slow_down(samples, n, rate_hz, arena, &s));
  RB_TRY(map_power(&s, arena, &map));
  comb->base_hz = best_base(&map, &s, low_hz, high_hz);
  comb->n_lines = lines_below(comb->base_hz, 0.5 / s.step_s);
  const double furthest_hz = 1 / ((double)s.n * s.step_s);
  double information = 0;
  for (int step = 0; step < 4; step++) {
    const double step_hz = refine(&s, &map, comb->base_hz, comb->n_lines, &information);
    comb->base_hz += fmax(-furthest_hz, fmin(furthest_hz, step_hz));
  }
  comb->base_uncertainty_hz = information > 0 ? sqrt(1 / information) : high_hz - low_hz;
  measure_lines(&s, &map, comb);
  return RB_OK;
}

rb_status rb_comb_fit(const double *samples, size_t n, double rate_hz, double low_hz,
                      double high_hz, rb_arena *arena, rb_comb *comb)
{
  *comb = (rb_comb){0};
  if (!(rate_hz >= DECIMATED_HZ) || (double)n < LEAST_S * rate_hz || !(low_hz > LOWEST_HZ) ||
      !(high_hz > low_hz) || !(high_hz < 500))
    return RB_BAD_ARG;
  const rb_arena_mark scratch = rb_arena_save(arena);
  const rb_status status = fit(samples, n, rate_hz, low_hz, high_hz, arena, comb);
  rb_arena_rewind(arena, scratch);
  return status;
}

static void subtract_line(double cosine, double sine, double turns_per_sample, double *samples,
                          size_t n)
{
  enum { RESTART = 4096 }; // a turning phasor loses digits slowly
  const double step_rad = 2 * RB_PI * turns_per_sample;
  const double step_c = cos(step_rad), step_s = sin(step_rad);
  double c = 1, s = 0;
  for (size_t i = 0; i < n; i++) {
    if (i % RESTART == 0) {
      const double turns = turns_per_sample * (double)i;
      c = cos(2 * RB_PI * (turns - floor(turns)));
      s = sin(2 * RB_PI * (turns - floor(turns)));
    }
    samples[i] -= cosine * c + sine * s;
    const double turned = c * step_c - s * step_s;
    s = c * step_s + s * step_c;
    c = turned;
  }
}

void rb_comb_subtract(const rb_comb *comb, double rate_hz, double *samples, size_t n)
{
  if (!comb->found)
    return;
  for (size_t line = 1; line <= comb->n_lines; line++) {
    const double square =
        comb->cosine[line] * comb->cosine[line] + comb->sine[line] * comb->sine[line];
    // A line that may be noise is left: taking it off would dent the noise.
    if (square > 2 * LINE_POWER_RATIO * comb->noise_rms[line] * comb->noise_rms[line])
      subtract_line(comb->cosine[line], comb->sine[line], (double)line * comb->base_hz / rate_hz,
                    samples, n);
  }
}
