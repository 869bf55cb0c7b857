// SPDX-License-Identifier: GPL-3.0-or-later
#include "waves.h"

#include "rollbook/base/units.h"

#include <math.h>

enum { LANES = 64 };

// By the addition theorem, from a table of LANES angles and the exact angle of every LANES-th
// sample.
void add_cosine(double *samples, size_t n, double rate_hz, double hz, double amplitude,
                double phase_rad)
{
  double cosine[LANES], sine[LANES];
  for (size_t i = 0; i < LANES; i++) {
    const double cycles = hz * (double)i / rate_hz;
    cosine[i] = amplitude * cos(2 * RB_PI * (cycles - floor(cycles)));
    sine[i] = amplitude * sin(2 * RB_PI * (cycles - floor(cycles)));
  }
  for (size_t start = 0; start < n; start += LANES) {
    const double cycles = hz * (double)start / rate_hz;
    const double angle_rad = 2 * RB_PI * (cycles - floor(cycles)) + phase_rad;
    const double c = cos(angle_rad), s = sin(angle_rad);
    const size_t count = n - start < LANES ? n - start : LANES;
    for (size_t i = 0; i < count; i++)
      samples[start + i] += c * cosine[i] - s * sine[i];
  }
}

void add_noise(double *samples, size_t n, double rms, rb_random *random)
{
  for (size_t j = 0; j < n; j++)
    samples[j] += rms * rb_random_normal(random);
}

void quantise(double *samples, size_t n, unsigned bits, rb_random *random)
{
  const double steps = ldexp(1, (int)bits - 1);
  for (size_t j = 0; j < n; j++) {
    const double dither = random ? rb_random_uniform(random) - rb_random_uniform(random) : 0;
    samples[j] = round(samples[j] * steps + dither) / steps;
  }
}
