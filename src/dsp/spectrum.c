// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/spectrum.h"

#include "rollbook/base/error.h"
#include "rollbook/dsp/fft.h"

#include <math.h>
#include <stdbool.h>

typedef struct averaging {
  rb_fft *fft;
  size_t segment, step;
  double *weights, *piece, *sum;
  double complex *spectrum;
} averaging;

// Sum over the segments of |X_k|², one-sided. Returns how many segments.
static size_t add_segments(const averaging *welch, const double *samples, size_t n)
{
  const size_t n_bins = welch->segment / 2 + 1;
  size_t count = 0;
  for (size_t start = 0; start + welch->segment <= n; start += welch->step, count++) {
    for (size_t j = 0; j < welch->segment; j++)
      welch->piece[j] = samples[start + j] * welch->weights[j];
    rb_fft_forward(welch->fft, welch->piece, welch->spectrum);
    for (size_t k = 0; k < n_bins; k++) {
      const bool single = k == 0 || 2 * k == welch->segment;
      const double re = creal(welch->spectrum[k]), im = cimag(welch->spectrum[k]);
      welch->sum[k] += (single ? 1 : 2) * (re * re + im * im);
    }
  }
  return count;
}

// Mean over the segments of |X_k|², the window's sum of squares in `*squares`.
static rb_status average(const double *samples, size_t n, const rb_welch *welch, rb_arena *arena,
                         double *power, double *squares)
{
  averaging work = {.segment = welch->segment, .step = welch->step, .sum = power};
  work.weights = rb_arena_doubles(arena, welch->segment);
  work.piece = rb_arena_doubles(arena, welch->segment);
  work.spectrum = rb_arena_alloc(arena, welch->segment / 2 + 1, sizeof(double complex));
  if (!work.weights || !work.piece || !work.spectrum)
    return RB_NO_MEM;
  work.fft = rb_fft_new(welch->segment);
  if (!work.fft)
    return RB_NO_MEM;
  rb_window_fill(rb_window_get(welch->window), welch->segment, work.weights);
  *squares = 0;
  for (size_t j = 0; j < welch->segment; j++)
    *squares += work.weights[j] * work.weights[j];
  const size_t n_bins = welch->segment / 2 + 1;
  for (size_t k = 0; k < n_bins; k++)
    power[k] = 0;
  const size_t count = add_segments(&work, samples, n);
  for (size_t k = 0; k < n_bins; k++)
    power[k] /= (double)count;
  rb_fft_free(work.fft);
  return RB_OK;
}

static bool is_possible(size_t n, const rb_welch *welch)
{
  return welch->segment >= 2 && welch->segment <= n && welch->step >= 1 &&
         welch->step <= welch->segment && welch->window < RB_WINDOW_COUNT;
}

static rb_status averaged(const double *samples, size_t n, const rb_welch *welch, rb_arena *arena,
                          double *power, double *squares)
{
  if (!is_possible(n, welch))
    return RB_BAD_ARG;
  const rb_arena_mark mark = rb_arena_save(arena);
  const rb_status status = average(samples, n, welch, arena, power, squares);
  rb_arena_rewind(arena, mark);
  return status;
}

rb_status rb_welch_density(const double *samples, size_t n, double rate_hz, const rb_welch *welch,
                           rb_arena *arena, double *density_per_hz)
{
  if (!(rate_hz > 0))
    return RB_BAD_ARG;
  double squares = 0;
  RB_TRY(averaged(samples, n, welch, arena, density_per_hz, &squares));
  for (size_t k = 0; k <= welch->segment / 2; k++)
    density_per_hz[k] /= rate_hz * squares;
  return RB_OK;
}

rb_status rb_welch_power(const double *samples, size_t n, const rb_welch *welch, rb_arena *arena,
                         double *power)
{
  double squares = 0;
  RB_TRY(averaged(samples, n, welch, arena, power, &squares));
  const double sum = (double)welch->segment; // the weights have mean 1
  for (size_t k = 0; k <= welch->segment / 2; k++)
    power[k] /= sum * sum;
  return RB_OK;
}

enum { DISPLAY_LONGEST = 1 << 20, DISPLAY_SHORTEST = 64, DISPLAY_FEWEST_POINTS = 16 };

typedef struct cell_grid {
  double low_hz, high_hz, bin_hz;
  size_t n_bins, most;
  double scale; // |X|² to mean square
} cell_grid;

// Fills one point a cell, cells without a bin are left out. Returns how many points there are.
static size_t reduce(const cell_grid *cells, const double complex *spectrum, double *frequency_hz,
                     double *rms)
{
  const double per_cell = log(cells->high_hz / cells->low_hz) / (double)cells->most;
  size_t n = 0, last_cell = 0;
  for (size_t k = (size_t)ceil(cells->low_hz / cells->bin_hz); k < cells->n_bins; k++) {
    const double hz = (double)k * cells->bin_hz;
    if (hz > cells->high_hz)
      break;
    const size_t most = cells->most - 1, place = (size_t)(log(hz / cells->low_hz) / per_cell);
    const size_t cell = place < most ? place : most;
    const double re = creal(spectrum[k]), im = cimag(spectrum[k]);
    const double power = (re * re + im * im) * cells->scale;
    if (n == 0 || cell != last_cell) {
      frequency_hz[n] = hz;
      rms[n++] = power;
    } else if (power > rms[n - 1]) {
      frequency_hz[n - 1] = hz;
      rms[n - 1] = power;
    }
    last_cell = cell;
  }
  for (size_t i = 0; i < n; i++)
    rms[i] = sqrt(rms[i]);
  return n;
}

// The windowed transform of the first n samples, padded to a fast length.
static double complex *windowed(const double *samples, size_t n, size_t padded, rb_arena *arena)
{
  double *piece = rb_arena_doubles(arena, padded);
  double complex *spectrum = rb_arena_alloc(arena, padded / 2 + 1, sizeof *spectrum);
  if (!piece || !spectrum)
    return NULL;
  rb_fft *fft = rb_fft_new(padded);
  if (!fft)
    return NULL;
  rb_window_fill(rb_window_get(RB_WINDOW_HFT144D), n, piece);
  for (size_t j = 0; j < n; j++)
    piece[j] *= samples[j];
  rb_fft_forward(fft, piece, spectrum);
  rb_fft_free(fft);
  return spectrum;
}

rb_status rb_spectrum_display(const double *samples, size_t n, double rate_hz, double low_hz,
                              double high_hz, size_t most_points, rb_arena *arena,
                              rb_display_spectrum *display)
{
  *display = (rb_display_spectrum){0};
  if (high_hz > rate_hz / 2)
    high_hz = rate_hz / 2;
  if (n < DISPLAY_SHORTEST || most_points < DISPLAY_FEWEST_POINTS || !(rate_hz > 0) ||
      !(low_hz > 0 && low_hz < high_hz))
    return RB_BAD_ARG;
  if (n > DISPLAY_LONGEST)
    n = DISPLAY_LONGEST;
  double *frequency_hz = rb_arena_doubles(arena, most_points);
  double *rms = rb_arena_doubles(arena, most_points);
  if (!frequency_hz || !rms)
    return RB_NO_MEM;
  const rb_arena_mark mark = rb_arena_save(arena);
  const size_t padded = rb_fft_good_size(n);
  const double complex *spectrum = windowed(samples, n, padded, arena);
  if (!spectrum)
    return RB_NO_MEM;
  const cell_grid cells = {.low_hz = low_hz,
                           .high_hz = high_hz,
                           .bin_hz = rate_hz / (double)padded,
                           .n_bins = padded / 2 + 1,
                           .most = most_points,
                           .scale = 2.0 / ((double)n * (double)n)};
  display->n = reduce(&cells, spectrum, frequency_hz, rms);
  rb_arena_rewind(arena, mark);
  display->frequency_hz = frequency_hz;
  display->rms = rms;
  display->resolution_hz =
      rb_window_enbw_bins(rb_window_get(RB_WINDOW_HFT144D), n) * rate_hz / (double)n;
  return RB_OK;
}
