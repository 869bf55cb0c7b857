// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/residual.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"
#include "rollbook/dsp/select.h"
#include "rollbook/dsp/window.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

#define LOBE_BINS 12.0 // beyond the first null at 7, where −180 dB are reached for good

static const rb_window *window(void)
{
  return rb_window_get(RB_WINDOW_ALBRECHT_7);
}

static void update_power(rb_residual *residual, size_t point)
{
  const double re = creal(residual->transform[point]), im = cimag(residual->transform[point]);
  residual->power[point] = re * re + im * im;
}

// Σw² and Σw⁴/(Σw²)²; then the weights times the samples.
static void weigh(const double *samples, size_t n, double *weights, rb_residual *residual)
{
  double second = 0, fourth = 0;
  for (size_t j = 0; j < n; j++) {
    const double square = weights[j] * weights[j];
    second += square;
    fourth += square * square;
    weights[j] *= samples[j];
  }
  residual->power_per_variance = second;
  residual->fourth_power = fourth / (second * second);
}

rb_status rb_residual_make(const double *samples, size_t n, rb_arena *arena, rb_residual *residual)
{
  *residual = (rb_residual){.n = n, .padded = rb_fft_good_size(n)};
  residual->n_points = residual->padded / 2 + 1;
  residual->transform = rb_arena_alloc(arena, residual->n_points, sizeof(double complex));
  residual->power = rb_arena_doubles(arena, residual->n_points);
  residual->mask = rb_arena_alloc(arena, residual->n_points, 1);
  residual->level = rb_arena_doubles(arena, residual->n_points / RB_RESIDUAL_CELL + 1);
  if (!residual->transform || !residual->power || !residual->mask || !residual->level)
    return RB_NO_MEM;
  const rb_arena_mark mark = rb_arena_save(arena);
  double *windowed = rb_arena_doubles(arena, residual->padded);
  rb_fft *fft = windowed ? rb_fft_new(residual->padded) : NULL;
  if (!fft)
    return RB_NO_MEM;
  rb_window_fill(window(), n, windowed);
  weigh(samples, n, windowed, residual);
  rb_fft_forward(fft, windowed, residual->transform);
  rb_fft_free(fft);
  rb_arena_rewind(arena, mark);
  for (size_t point = 0; point < residual->n_points; point++)
    update_power(residual, point);
  return RB_OK;
}

static double points_per_bin(const rb_residual *residual)
{
  return (double)residual->padded / (double)residual->n;
}

size_t rb_residual_point(const rb_residual *residual, double cycles_per_sample)
{
  const double place = cycles_per_sample * (double)residual->padded;
  const size_t last = residual->n_points - 1;
  return place <= 0 ? 0 : place >= (double)last ? last : (size_t)(place + 0.5);
}

// What the transform shows at `point` for e^(2πi·ν·u): the response with its time origin moved to
// the record's centre. The angle is reduced in integers, so nothing is lost at long records.
static double complex response(const rb_residual *residual, size_t point, double cycles_per_sample)
{
  const double n = (double)residual->n;
  const double offset = (double)point / points_per_bin(residual) - cycles_per_sample * n;
  const double centred = RB_PI * offset * (n - 1) / n;
  const uint64_t turns =
      (uint64_t)(residual->n - 1) * (uint64_t)point % (2 * (uint64_t)residual->padded);
  const double angle = centred - RB_PI * (double)turns / (double)residual->padded;
  return n * rb_window_response(window(), residual->n, offset) * CMPLX(cos(angle), sin(angle));
}

// Both halves of a real line; the mirrored one only where it can be felt.
static double complex line_at(const rb_residual *residual, size_t point, double cycles_per_sample,
                              double complex amplitude)
{
  double complex value = 0.5 * amplitude * response(residual, point, cycles_per_sample);
  const double mirrored_bins =
      (double)point / points_per_bin(residual) + cycles_per_sample * (double)residual->n;
  if (mirrored_bins < LOBE_BINS)
    value += 0.5 * conj(amplitude) * response(residual, point, -cycles_per_sample);
  else if (mirrored_bins > (double)residual->n - LOBE_BINS)
    value += 0.5 * conj(amplitude) * response(residual, point, -cycles_per_sample + 1);
  return value;
}

// First and last point within `radius_bins` of a frequency.
static void points_near(const rb_residual *residual, double cycles_per_sample, double radius_bins,
                        size_t *first, size_t *last)
{
  const double radius = radius_bins / (double)residual->n;
  const double low = ceil((cycles_per_sample - radius) * (double)residual->padded);
  const double high = floor((cycles_per_sample + radius) * (double)residual->padded);
  *first = low > 0 ? (size_t)low : 0;
  *last = high < 0 ? 0 : (size_t)high;
  if (*last > residual->n_points - 1)
    *last = residual->n_points - 1;
}

void rb_residual_subtract(rb_residual *residual, double cycles_per_sample, double complex amplitude)
{
  size_t first, last;
  points_near(residual, cycles_per_sample, LOBE_BINS, &first, &last);
  for (size_t point = first; point <= last; point++) {
    residual->transform[point] -= line_at(residual, point, cycles_per_sample, amplitude);
    update_power(residual, point);
  }
}

double complex rb_residual_amplitude(const rb_residual *residual, double cycles_per_sample)
{
  const size_t point = rb_residual_point(residual, cycles_per_sample);
  const double share = cycles_per_sample > 0 ? 0.5 : 1;
  return residual->transform[point] / (share * response(residual, point, cycles_per_sample));
}

size_t rb_residual_peak(const rb_residual *residual, double low_cycles, double high_cycles)
{
  size_t best = residual->n_points;
  for (size_t point = rb_residual_point(residual, low_cycles);
       point <= rb_residual_point(residual, high_cycles); point++)
    if (!residual->mask[point] &&
        (best == residual->n_points || residual->power[point] > residual->power[best]))
      best = point;
  return best;
}

// Log ratio of what the points right and left of the peak show of a line `offset` points off it.
static double side_ratio(const rb_residual *residual, double offset)
{
  const double bin = 1 / points_per_bin(residual);
  const double right = cabs(rb_window_response(window(), residual->n, (1 - offset) * bin));
  const double left = cabs(rb_window_response(window(), residual->n, (-1 - offset) * bin));
  return log(right / left);
}

double rb_residual_refine(const rb_residual *residual, size_t point)
{
  double offset = 0;
  if (point > 0 && point + 1 < residual->n_points && residual->power[point - 1] > 0 &&
      residual->power[point + 1] > 0) {
    const double wanted = 0.5 * log(residual->power[point + 1] / residual->power[point - 1]);
    double low = -1, high = 1; // the ratio rises with the offset, nearly straight
    for (int i = 0; i < 40 && high - low > 1e-12; i++) {
      offset = 0.5 * (low + high);
      if (side_ratio(residual, offset) < wanted)
        low = offset;
      else
        high = offset;
    }
  }
  return ((double)point + offset) / (double)residual->padded;
}

void rb_residual_mask(rb_residual *residual, double cycles_per_sample, double radius_bins,
                      unsigned char value)
{
  size_t first, last;
  points_near(residual, cycles_per_sample, radius_bins, &first, &last);
  for (size_t point = first; point <= last; point++)
    residual->mask[point] = value;
}

void rb_residual_unmask(rb_residual *residual)
{
  memset(residual->mask, 0, residual->n_points);
}

enum { GROUP = 8, GROUPS = RB_RESIDUAL_CELL / GROUP };

void rb_residual_measure_levels(rb_residual *residual)
{
  for (size_t cell = 0; cell * RB_RESIDUAL_CELL < residual->n_points; cell++) {
    const size_t start = cell * RB_RESIDUAL_CELL;
    double means[GROUPS];
    size_t n_means = 0;
    for (size_t g = start; g + GROUP <= residual->n_points && n_means < GROUPS; g += GROUP) {
      double sum = 0;
      for (size_t i = 0; i < GROUP; i++)
        sum += residual->power[g + i];
      means[n_means++] = sum / GROUP;
    }
    if (n_means < GROUPS / 4 && cell > 0) { // a last cell too short to judge by itself
      residual->level[cell] = residual->level[cell - 1];
      continue;
    }
    residual->level[cell] = n_means ? rb_median(means, n_means) : residual->power[start];
  }
}

enum { BESIDE_MOST = 512, BESIDE_FEWEST = 96 };
#define BESIDE_BINS 60.0

// Powers of unmasked points from inner to outer bins away on both sides.
static size_t gather(const rb_residual *residual, double cycles_per_sample, double inner_bins,
                     double outer_bins, double *powers)
{
  size_t first, last, n = 0;
  points_near(residual, cycles_per_sample, outer_bins, &first, &last);
  for (size_t point = first; point <= last && n < BESIDE_MOST; point++) {
    const double away_bins =
        fabs((double)point / points_per_bin(residual) - cycles_per_sample * (double)residual->n);
    if (away_bins > inner_bins && !residual->mask[point])
      powers[n++] = residual->power[point];
  }
  return n;
}

double rb_residual_variance_beside(const rb_residual *residual, double cycles_per_sample,
                                   double inner_bins)
{
  double powers[BESIDE_MOST];
  size_t n = 0;
  for (double outer_bins = BESIDE_BINS; n < BESIDE_FEWEST && outer_bins < (double)residual->n;
       outer_bins *= 2)
    n = gather(residual, cycles_per_sample, inner_bins, outer_bins, powers);
  if (n == 0)
    return 0;
  // The lowest nine tenths; powers of noise are exponentially distributed, and the mean below their
  // quantile q is 1 − (1 − q)(1 − ln(1 − q)) over q of the whole mean.
  const size_t kept = n - n / 10;
  const double q = (double)kept / (double)n;
  rb_smallest_first(powers, n, kept);
  const double share = q < 1 ? (1 - (1 - q) * (1 - log(1 - q))) / q : 1;
  double sum = 0;
  for (size_t i = 0; i < kept; i++)
    sum += powers[i];
  return sum / (double)kept / share / residual->power_per_variance;
}

void rb_residual_mean_square(const rb_residual *residual, double low_cycles, double high_cycles,
                             double *value, double *variance)
{
  const size_t first = rb_residual_point(residual, low_cycles);
  const size_t last = rb_residual_point(residual, high_cycles);
  double last_mean = 0, sum = 0, squares = 0, owed = 0;
  for (size_t start = first; start <= last; start += RB_RESIDUAL_CELL) {
    const size_t end = start + RB_RESIDUAL_CELL - 1 < last ? start + RB_RESIDUAL_CELL - 1 : last;
    double cell = 0;
    size_t n = 0;
    for (size_t point = start; point <= end; point++)
      if (!residual->mask[point]) {
        cell += residual->power[point];
        n++;
      }
    const double points = (double)(end - start + 1);
    if (n)
      last_mean = cell / (double)n;
    else if (last_mean == 0) { // all masked and nothing before it: filled from the next
      owed += points;
      continue;
    }
    sum += last_mean * (points + owed);
    squares += last_mean * last_mean * (points + owed);
    owed = 0;
  }
  // power of both halves of the spectrum, over the energy of the window and the padded length
  const double scale = 2 / ((double)residual->padded * residual->power_per_variance);
  *value = sum * scale;
  // a sum over a share β of the band spreads by 2·Σw⁴/(Σw²)²/β of its square
  *variance = squares * scale * scale * residual->fourth_power * (double)residual->padded;
}
