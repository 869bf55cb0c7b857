// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/zoom.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"

#include <math.h>

enum { HALF_WIDTH = 7 };                          // bins on each side
static const double BETA = 2.30 * 2 * HALF_WIDTH; // best for twice the length (Fessler & Sutton)

/// Modified Bessel function of order 0, by its series.
static double bessel_i0(double x)
{
  double term = 1, sum = 1;
  const double quarter = 0.25 * x * x;
  for (int k = 1; k < 200 && term > 1e-17 * sum; k++) {
    term *= quarter / ((double)k * k);
    sum += term;
  }
  return sum;
}

static double kernel(double bins)
{
  const double x = bins / HALF_WIDTH;
  return fabs(x) < 1 ? bessel_i0(BETA * sqrt(1 - x * x)) : 0;
}

/// Fourier transform of the kernel, at a sample `turns` = offset/length from the middle.
static double kernel_transform(double turns)
{
  const double k = 2 * RB_PI * HALF_WIDTH * turns;
  const double root = sqrt(BETA * BETA - k * k); // |turns| ≤ ¼ keeps it real
  return 2 * HALF_WIDTH * sinh(root) / root;
}

typedef struct zoomed {
  double complex *bins; // n_fft/2 + 1, time counted from the middle sample
  size_t n_fft, middle;
} zoomed;

static rb_status transform_weighted(const double *samples, size_t n, rb_arena *arena, zoomed *z)
{
  *z = (zoomed){.n_fft = rb_fft_good_size(2 * n + 2 * HALF_WIDTH), .middle = n / 2};
  double *padded = rb_arena_doubles(arena, z->n_fft);
  z->bins = rb_arena_alloc(arena, z->n_fft / 2 + 1, sizeof *z->bins);
  rb_fft *fft = rb_fft_new(z->n_fft);
  if (padded == NULL || z->bins == NULL || fft == NULL) {
    rb_fft_free(fft);
    return RB_NO_MEM;
  }
  for (size_t i = 0; i < n; i++) {
    const double offset = (double)i - (double)z->middle;
    const size_t place = i >= z->middle ? i - z->middle : z->n_fft + i - z->middle;
    padded[place] = samples[i] / kernel_transform(offset / (double)z->n_fft);
  }
  rb_fft_forward(fft, padded, z->bins);
  rb_fft_free(fft);
  return RB_OK;
}

/// Bin of any number: real samples mirror at 0 and at half the rate.
static double complex bin_at(const zoomed *z, long bin)
{
  const long size = (long)z->n_fft;
  if (bin < 0)
    return conj(z->bins[-bin]);
  return bin > size / 2 ? conj(z->bins[size - bin]) : z->bins[bin];
}

static double complex between_bins(const zoomed *z, double bins)
{
  double complex sum = 0;
  for (long bin = (long)ceil(bins - HALF_WIDTH); (double)bin <= bins + HALF_WIDTH; bin++)
    sum += kernel(bins - (double)bin) * bin_at(z, bin);
  return sum;
}

rb_status rb_zoom(const double *samples, size_t n, double rate_hz, double first_s,
                  const double *freq_hz, size_t n_freq, rb_arena *arena, double complex *transform)
{
  if (n == 0 || !(rate_hz > 0))
    return RB_BAD_ARG;
  const rb_arena_mark scratch = rb_arena_save(arena);
  zoomed z;
  const rb_status status = transform_weighted(samples, n, arena, &z);
  for (size_t k = 0; status == RB_OK && k < n_freq; k++) {
    const double middle_s = first_s + (double)z.middle / rate_hz;
    const double turns = freq_hz[k] * middle_s;
    const double angle_rad = -2 * RB_PI * (turns - floor(turns));
    const double freq_hz_inside = fmax(0, fmin(0.5 * rate_hz, freq_hz[k]));
    transform[k] = between_bins(&z, freq_hz_inside / rate_hz * (double)z.n_fft) *
                   CMPLX(cos(angle_rad), sin(angle_rad));
  }
  rb_arena_rewind(arena, scratch);
  return status;
}
