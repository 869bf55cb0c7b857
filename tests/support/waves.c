// SPDX-License-Identifier: GPL-3.0-or-later
#include "waves.h"

#include "rollbook/base/units.h"

#include <math.h>

void add_cosine(double *samples, size_t n, double rate_hz, double hz, double amplitude,
                double phase_rad)
{
  for (size_t j = 0; j < n; j++) {
    const double cycles = hz * (double)j / rate_hz;
    samples[j] += amplitude * cos(2 * RB_PI * (cycles - floor(cycles)) + phase_rad);
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
