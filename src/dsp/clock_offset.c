// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/clock_offset.h"

#include "rollbook/base/units.h"

#include <math.h>

/// Hann-weighted Fourier sum at a frequency, scaled to the tone's peak.
static double complex tone_phasor(const double *samples, size_t n, double turns_per_sample)
{
  double complex sum = 0;
  for (size_t k = 0; k < n; k++) {
    const double weight = 1 - cos(2 * RB_PI * ((double)k + 0.5) / (double)n);
    const double turns = turns_per_sample * (double)k;
    const double angle_rad = 2 * RB_PI * (turns - floor(turns));
    sum += weight * samples[k] * CMPLX(cos(angle_rad), -sin(angle_rad));
  }
  return 2 * sum / (double)n;
}

/// Mean square of what is left of the samples without the tone.
static double residual_power(const double *samples, size_t n, double turns_per_sample,
                             double complex phasor)
{
  double sum = 0;
  for (size_t k = 0; k < n; k++) {
    const double turns = turns_per_sample * (double)k;
    const double angle_rad = 2 * RB_PI * (turns - floor(turns));
    const double tone = creal(phasor) * cos(angle_rad) - cimag(phasor) * sin(angle_rad);
    sum += (samples[k] - tone) * (samples[k] - tone);
  }
  return sum / (double)n;
}

/// Relative variance of the angle between the pilots. Under a Hann window noise weighs 1.5 bins:
/// each angle has σ²·3/n over A² (half of it lies along the tone).
static double angle_variance(const double *first, const double *second, size_t n,
                             double turns_per_sample)
{
  double variance = 0;
  for (int i = 0; i < 2; i++) {
    const double *samples = i == 0 ? first : second;
    const double complex phasor = tone_phasor(samples, n, turns_per_sample);
    const double power = creal(phasor * conj(phasor));
    if (power > 0)
      variance += 3 * residual_power(samples, n, turns_per_sample, phasor) / power / (double)n;
  }
  return variance;
}

double rb_clock_offset_from_pilots(const double *first, const double *second, size_t n,
                                   double spacing_samples, double freq_hz, double rate_hz,
                                   double coarse_offset, double *uncertainty)
{
  const double turns_per_sample = freq_hz * (1 + coarse_offset) / rate_hz;
  const double complex a = tone_phasor(first, n, turns_per_sample);
  const double complex b = tone_phasor(second, n, turns_per_sample);
  const double turns = carg(b * conj(a)) / (2 * RB_PI) - turns_per_sample * spacing_samples;
  const double per_turn = rate_hz / (freq_hz * spacing_samples);
  const double offset = coarse_offset + (turns - round(turns)) * per_turn;
  if (uncertainty != NULL)
    *uncertainty = per_turn / (2 * RB_PI) *
                   sqrt(angle_variance(first, second, n, freq_hz * (1 + offset) / rate_hz));
  return offset;
}

typedef struct matrix3 {
  double at[3][3];
} matrix3;

static double determinant(const matrix3 *m)
{
  double sum = 0;
  for (int i = 0; i < 3; i++) {
    const int j = (i + 1) % 3, k = (i + 2) % 3;
    sum += m->at[0][i] * (m->at[1][j] * m->at[2][k] - m->at[1][k] * m->at[2][j]);
  }
  return sum;
}

/// Component `which` of the solution of the 3×3 system, by Cramer's rule.
static double solve_for(const matrix3 *m, const double v[3], int which)
{
  matrix3 replaced = *m;
  for (int i = 0; i < 3; i++)
    replaced.at[i][which] = v[i];
  const double whole = determinant(m);
  return whole != 0 ? determinant(&replaced) / whole : 0;
}

double rb_clock_offset_from_response(const rb_sweep *sweep, const double *freq_hz,
                                     const double complex *response, size_t n, double low_hz,
                                     double high_hz)
{
  matrix3 m = {0};
  double v[3] = {0};
  double angle_rad = 0, last_rad = 0;
  for (size_t i = 0, used = 0; i < n; i++) {
    if (freq_hz[i] < low_hz || freq_hz[i] > high_hz)
      continue;
    const double now_rad = carg(response[i]);
    angle_rad = used++ > 0 ? angle_rad + remainder(now_rad - last_rad, 2 * RB_PI) : now_rad;
    last_rad = now_rad;
    // Scaled so that the three columns are of like size.
    const double f = freq_hz[i] / high_hz;
    const double column[3] = {1, f, f * log(freq_hz[i] / sweep->first_hz)};
    for (int row = 0; row < 3; row++) {
      for (int other = 0; other < 3; other++)
        m.at[row][other] += column[row] * column[other];
      v[row] += column[row] * angle_rad;
    }
  }
  return solve_for(&m, v, 2) / (2 * RB_PI * high_hz * sweep->growth_s);
}
