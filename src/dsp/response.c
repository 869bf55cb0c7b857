// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/response.h"

#include "rollbook/base/units.h"

#include <math.h>

static long grid_index(double freq_hz, unsigned per_octave, double (*rounding)(double))
{
  // A hair of slack, so that an end that is itself a grid point is not lost to rounding.
  const double slack = rounding == ceil ? -1e-9 : 1e-9;
  return (long)rounding(per_octave * log2(freq_hz / 1000) + slack);
}

size_t rb_log_grid_size(double low_hz, double high_hz, unsigned per_octave)
{
  if (!(low_hz > 0 && high_hz >= low_hz && per_octave > 0))
    return 0;
  const long first = grid_index(low_hz, per_octave, ceil);
  const long last = grid_index(high_hz, per_octave, floor);
  return last < first ? 0 : (size_t)(last - first + 1);
}

size_t rb_log_grid(double low_hz, double high_hz, unsigned per_octave, double *freq_hz)
{
  const size_t n = rb_log_grid_size(low_hz, high_hz, per_octave);
  for (size_t i = 0; i < n; i++)
    freq_hz[i] = 1000 * exp2((double)(grid_index(low_hz, per_octave, ceil) + (long)i) / per_octave);
  return n;
}

void rb_response_db(const double complex *response, size_t n, double *magnitude_db)
{
  for (size_t i = 0; i < n; i++)
    magnitude_db[i] = rb_db_from_ratio(cabs(response[i]));
}

/// Index of the first grid point above `at_hz`, 1 … n−1.
static size_t upper_neighbour(const double *freq_hz, size_t n, double at_hz)
{
  size_t low = 0, high = n - 1;
  while (high - low > 1) {
    const size_t middle = (low + high) / 2;
    if (freq_hz[middle] > at_hz)
      high = middle;
    else
      low = middle;
  }
  return high;
}

double rb_response_at_db(const double *freq_hz, const double *magnitude_db, size_t n, double at_hz)
{
  if (n == 1 || at_hz <= freq_hz[0])
    return magnitude_db[0];
  if (at_hz >= freq_hz[n - 1])
    return magnitude_db[n - 1];
  const size_t i = upper_neighbour(freq_hz, n, at_hz);
  const double share = log(at_hz / freq_hz[i - 1]) / log(freq_hz[i] / freq_hz[i - 1]);
  return magnitude_db[i - 1] + share * (magnitude_db[i] - magnitude_db[i - 1]);
}

/// Between point `inside`, above the level, and its neighbour `outside`, under it.
static double crossing_hz(const double *freq_hz, const double *magnitude_db, size_t inside,
                          size_t outside, double level_db)
{
  const double share =
      (magnitude_db[inside] - level_db) / (magnitude_db[inside] - magnitude_db[outside]);
  return freq_hz[inside] * pow(freq_hz[outside] / freq_hz[inside], share);
}

bool rb_response_corner(const double *freq_hz, const double *magnitude_db, size_t n,
                        double reference_hz, double drop_db, bool upward, double *corner_hz)
{
  if (n < 2)
    return false;
  const double level_db = rb_response_at_db(freq_hz, magnitude_db, n, reference_hz) - drop_db;
  const size_t above = upper_neighbour(freq_hz, n, reference_hz);
  if (upward) {
    for (size_t i = above; i + 1 < n; i++) {
      if (magnitude_db[i + 1] < level_db) {
        *corner_hz = crossing_hz(freq_hz, magnitude_db, i, i + 1, level_db);
        return true;
      }
    }
    return false;
  }
  for (size_t i = above; i > 0; i--) {
    if (magnitude_db[i - 1] < level_db) {
      *corner_hz = crossing_hz(freq_hz, magnitude_db, i, i - 1, level_db);
      return true;
    }
  }
  return false;
}

double rb_response_band_db(const double *freq_hz, const double *magnitude_db, size_t n,
                           double low_hz, double high_hz, double reference_hz)
{
  double area = 0, last_log = log(low_hz);
  double last_power = pow(10, rb_response_at_db(freq_hz, magnitude_db, n, low_hz) / 10);
  for (size_t i = 0; i <= n; i++) {
    const double at_hz = i < n ? freq_hz[i] : high_hz;
    if (at_hz <= low_hz)
      continue;
    const double end_hz = fmin(at_hz, high_hz);
    const double power = pow(10, rb_response_at_db(freq_hz, magnitude_db, n, end_hz) / 10);
    area += (log(end_hz) - last_log) * (power + last_power) / 2;
    last_log = log(end_hz);
    last_power = power;
    if (at_hz >= high_hz)
      break;
  }
  const double reference_db =
      reference_hz > 0 ? rb_response_at_db(freq_hz, magnitude_db, n, reference_hz) : 0;
  return rb_db_from_power(area / log(high_hz / low_hz)) - reference_db;
}

static size_t nearest(const double *freq_hz, size_t n, double at_hz)
{
  if (n < 2)
    return 0;
  const size_t i = upper_neighbour(freq_hz, n, at_hz);
  return fabs(log(freq_hz[i] / at_hz)) < fabs(log(freq_hz[i - 1] / at_hz)) ? i : i - 1;
}

void rb_response_phase_deg(const double *freq_hz, const double complex *response, size_t n,
                           double reference_hz, double *phase_deg)
{
  for (size_t i = 0; i < n; i++) {
    const double angle_deg = rb_deg_from_rad(carg(response[i]));
    phase_deg[i] =
        i == 0 ? angle_deg : phase_deg[i - 1] + rb_fold_deg(angle_deg - phase_deg[i - 1]);
  }
  if (n == 0)
    return;
  const double at_reference_deg = phase_deg[nearest(freq_hz, n, reference_hz)];
  const double turns_deg = at_reference_deg - rb_fold_deg(at_reference_deg);
  for (size_t i = 0; i < n; i++)
    phase_deg[i] -= turns_deg;
}

void rb_response_group_delay(const double *freq_hz, const double *phase_deg, size_t n,
                             double *delay_s)
{
  for (size_t i = 0; i < n; i++) {
    const size_t low = i > 0 ? i - 1 : 0, high = i + 1 < n ? i + 1 : i;
    delay_s[i] = high == low
                     ? 0
                     : -(phase_deg[high] - phase_deg[low]) / (360 * (freq_hz[high] - freq_hz[low]));
  }
}

double rb_response_delay_s(const double *freq_hz, const double complex *response, size_t n,
                           double low_hz, double high_hz)
{
  double angle_rad = 0, last_rad = 0;
  double sum = 0, sum_f = 0, sum_ff = 0, sum_a = 0, sum_fa = 0;
  for (size_t i = 0; i < n; i++) {
    if (freq_hz[i] < low_hz || freq_hz[i] > high_hz)
      continue;
    const double now_rad = carg(response[i]);
    angle_rad = sum > 0 ? angle_rad + remainder(now_rad - last_rad, 2 * RB_PI) : now_rad;
    last_rad = now_rad;
    sum += 1;
    sum_f += freq_hz[i];
    sum_ff += freq_hz[i] * freq_hz[i];
    sum_a += angle_rad;
    sum_fa += freq_hz[i] * angle_rad;
  }
  const double spread = sum * sum_ff - sum_f * sum_f;
  if (!(spread > 0))
    return 0;
  // The line's value at 0 Hz is drawn to the nearest half turn, then the slope is fitted again.
  const double at_zero_rad = (sum_a * sum_ff - sum_f * sum_fa) / spread;
  const double anchored_rad = RB_PI * round(at_zero_rad / RB_PI);
  return -(sum_fa - anchored_rad * sum_f) / sum_ff / (2 * RB_PI);
}

void rb_response_undelay(const double *freq_hz, double complex *response, size_t n, double delay_s)
{
  for (size_t i = 0; i < n; i++)
    response[i] *= cexp(CMPLX(0, 2 * RB_PI * freq_hz[i] * delay_s));
}
