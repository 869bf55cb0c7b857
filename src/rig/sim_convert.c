// SPDX-License-Identifier: GPL-3.0-or-later
#include "sim_convert.h"

#include "rollbook/amp/lanes.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { HALF = SIM_SPAN / 2, PHASES = 1024 };

static const double kaiser_beta = 12.3;             // −120 dB stop band
static const double kaiser_top = 25257.48759692308; // I0(12.3)

/// Modified Bessel function of the first kind, order 0, by its power series.
static double bessel_i0(double x)
{
  double sum = 1, term = 1;
  for (int k = 1; k < 60 && term > 1e-18 * sum; k++) {
    term *= (x / (2 * k)) * (x / (2 * k));
    sum += term;
  }
  return sum;
}

/// The low-pass at `t` card samples from its middle; unit area.
static double kernel_at(double t)
{
  const double r = t / HALF;
  if (fabs(r) >= 1)
    return 0;
  const double window = bessel_i0(kaiser_beta * sqrt(1 - r * r)) / kaiser_top;
  return t == 0 ? window : window * sin(RB_PI * t) / (RB_PI * t);
}

static void fill_rows(sim_kernel *kernel)
{
  for (unsigned phase = 0; phase < kernel->over; phase++)
    for (unsigned k = 0; k < SIM_SPAN; k++)
      kernel->player[phase * SIM_SPAN + k] =
          kernel_at((double)k - (HALF - 1) - (double)phase / kernel->over);
  for (unsigned row = 0; row <= kernel->n_phases; row++) {
    const double fraction =
        kernel->n_phases > 1 ? (double)row / kernel->n_phases : kernel->fraction;
    for (unsigned k = 0; k < kernel->n_taps; k++)
      kernel->rows[row * kernel->n_taps + k] =
          kernel_at(((double)k - (kernel->n_taps / 2 - 1) - fraction) / kernel->over) /
          kernel->over;
  }
}

rb_status sim_kernel_make(sim_kernel *kernel, unsigned over, bool many, double fraction)
{
  *kernel = (sim_kernel){
      .over = over, .n_taps = SIM_SPAN * over, .n_phases = many ? PHASES : 1, .fraction = fraction};
  kernel->player = calloc((size_t)over * SIM_SPAN, sizeof *kernel->player);
  kernel->rows = calloc((size_t)(kernel->n_phases + 1) * kernel->n_taps, sizeof *kernel->rows);
  if (!kernel->player || !kernel->rows) {
    sim_kernel_free(kernel);
    return RB_NO_MEM;
  }
  fill_rows(kernel);
  return RB_OK;
}

void sim_kernel_free(sim_kernel *kernel)
{
  free(kernel->player);
  free(kernel->rows);
  *kernel = (sim_kernel){0};
}

/// Σ taps·x over n values, n a multiple of 8.
RB_HOT static double dot(const double *taps, const double *x, size_t n)
{
  rb_lane sum[2] = {rb_lane_all(0), rb_lane_all(0)};
  for (size_t k = 0; k < n; k += 8)
    for (size_t half = 0; half < 2; half++) {
      rb_lane a, b;
      memcpy(&a, taps + k + 4 * half, sizeof a);
      memcpy(&b, x + k + 4 * half, sizeof b);
      sum[half] += a * b;
    }
  const rb_lane all = sum[0] + sum[1];
  return (all[0] + all[1]) + (all[2] + all[3]);
}

void sim_play(const sim_kernel *kernel, const float *play, size_t n_frames, unsigned channel,
              size_t first, size_t n, double *volts)
{
  double around[SIM_SPAN] = {0};
  size_t held = SIZE_MAX; // the frame `around` was read for
  for (size_t i = 0; i < n; i++) {
    const size_t at = first + i, middle = at / kernel->over;
    if (middle != held) {
      held = middle;
      for (ptrdiff_t k = 0; k < SIM_SPAN; k++) {
        const ptrdiff_t frame = (ptrdiff_t)middle - (HALF - 1) + k;
        const bool inside = frame >= 0 && frame < (ptrdiff_t)n_frames;
        around[k] = inside ? (double)play[2 * frame + channel] : 0;
      }
    }
    volts[i] = dot(kernel->player + (at % kernel->over) * SIM_SPAN, around, SIM_SPAN);
  }
}

double sim_record(const sim_kernel *kernel, const double *ring, size_t mask, double at)
{
  const double whole = floor(at);
  const size_t start = (size_t)((ptrdiff_t)whole - (ptrdiff_t)(kernel->n_taps / 2 - 1));
  const double *part = ring + (start & mask);
  if (kernel->n_phases == 1)
    return dot(kernel->rows, part, kernel->n_taps);
  const double place = (at - whole) * kernel->n_phases;
  const unsigned row = (unsigned)place < kernel->n_phases ? (unsigned)place : kernel->n_phases - 1;
  const double *taps = kernel->rows + (size_t)row * kernel->n_taps;
  const double a = dot(taps, part, kernel->n_taps);
  const double b = dot(taps + kernel->n_taps, part, kernel->n_taps);
  return a + (place - row) * (b - a);
}

float sim_convert(sim_converter *converter, double full_scale)
{
  // First-order high-pass by the bilinear rule.
  const double out = converter->coupling * converter->last_out +
                     0.5 * (1 + converter->coupling) * (full_scale - converter->last_in);
  converter->last_in = full_scale;
  converter->last_out = out;
  // Triangular dither of two steps width: errors of the steps become noise (Lipshitz, Wannamaker &
  // Vanderkooy, J. Audio Eng. Soc. 40(5), 1992).
  const double dither =
      rb_random_uniform(&converter->random) - rb_random_uniform(&converter->random);
  const double noisy = out + converter->noise_rms * rb_random_normal(&converter->random);
  const double stepped = rint(noisy / converter->step + dither) * converter->step;
  const double top = 1 - converter->step;
  return (float)(stepped > top ? top : stepped < -1 ? -1 : stepped);
}
