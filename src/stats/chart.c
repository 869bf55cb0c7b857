// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/chart.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

// The trapezoid rule over the whole line converges faster than any power of the step for smooth
// bells. The double integral has a crease on its diagonal, so there its error is of second order
// and one step of Richardson's takes it away.
enum { STEPS = 400 };
static const double reach = 8.5; // Φ(−8.5) = 1e−17

// Mean of the range W of n: E W = ∫ 1 − Φ^n − (1−Φ)^n dx.
static double range_mean(unsigned n)
{
  double sum = 0, step = 2 * reach / STEPS;
  for (int i = 0; i <= STEPS; i++) {
    double below = gsl_cdf_ugaussian_P(-reach + step * i);
    sum += step * (1 - pow(below, n) - pow(1 - below, n));
  }
  return sum;
}

// E W² = 2 ∫∫_{x<y} 1 − Φ(y)^n − (1−Φ(x))^n + (Φ(y) − Φ(x))^n dx dy.
static double range_mean_square(unsigned n, int steps)
{
  double below[STEPS + 1], sum = 0, step = 2 * reach / steps;
  for (int i = 0; i <= steps; i++)
    below[i] = gsl_cdf_ugaussian_P(-reach + step * i);
  for (int i = 0; i <= steps; i++) {
    double over = pow(1 - below[i], n);
    sum += step * step * (1 - pow(below[i], n) - over); // half of the diagonal, twice
    for (int k = i + 1; k <= steps; k++)
      sum += 2 * step * step * (1 - pow(below[k], n) - over + pow(below[k] - below[i], n));
  }
  return sum;
}

rb_status rb_chart_constants_for(unsigned n, rb_chart_constants *constants)
{
  if (n < 2 || n > 25)
    return RB_BAD_ARG;
  double mean = range_mean(n);
  double mean_square = (4 * range_mean_square(n, STEPS) - range_mean_square(n, STEPS / 2)) / 3;
  rb_chart_constants c = {.d2 = mean, .d3 = sqrt(mean_square - mean * mean)};
  c.c4 = sqrt(2.0 / (n - 1)) * exp(lgamma(n / 2.0) - lgamma((n - 1) / 2.0));
  double spread = sqrt(1 - c.c4 * c.c4);
  c.a2 = 3 / (c.d2 * sqrt(n));
  c.a3 = 3 / (c.c4 * sqrt(n));
  c.d3_limit = fmax(0, 1 - 3 * c.d3 / c.d2);
  c.d4_limit = 1 + 3 * c.d3 / c.d2;
  c.b3 = fmax(0, 1 - 3 * spread / c.c4);
  c.b4 = 1 + 3 * spread / c.c4;
  *constants = c;
  return RB_OK;
}

rb_status rb_chart_individuals(const double *values, size_t n, double *mean, double limits[2])
{
  static const double d2_of_two = 1.1283791670955126; // 2/√π
  if (n < 2)
    return RB_BAD_ARG;
  double range = 0;
  *mean = values[0] / (double)n;
  for (size_t i = 1; i < n; i++) {
    *mean += values[i] / (double)n;
    range += fabs(values[i] - values[i - 1]) / (double)(n - 1);
  }
  limits[0] = *mean - 3 * range / d2_of_two;
  limits[1] = *mean + 3 * range / d2_of_two;
  return RB_OK;
}

void rb_ewma(const double *values, size_t n, double lambda, double start, double *averages)
{
  for (size_t i = 0; i < n; i++)
    averages[i] = start = lambda * values[i] + (1 - lambda) * start;
}

double rb_ewma_limit(double lambda, double width, double sigma, size_t i)
{
  return width * sigma * sqrt(lambda / (2 - lambda) * (1 - pow(1 - lambda, 2 * (double)i)));
}
