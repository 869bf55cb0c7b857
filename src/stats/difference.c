// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/difference.h"

#include "rollbook/stats/quantile.h"

#include <math.h>

rb_difference rb_difference_from_parts(double estimate, const rb_variance_part *parts, size_t n)
{
  double sum = 0, spread = 0;
  for (size_t i = 0; i < n; i++) {
    double part = parts[i].coefficient * parts[i].variance;
    sum += part;
    if (part > 0)
      spread += part * part / parts[i].df;
  }
  rb_difference difference = {.estimate = estimate, .standard_error = sqrt(sum)};
  if (sum <= 0) {
    difference.interval[0] = difference.interval[1] = estimate;
    difference.p = estimate == 0 ? 1 : 0;
    return difference;
  }
  difference.df = sum * sum / spread;
  double half_width = rb_student_quantile(0.975, difference.df) * difference.standard_error;
  difference.interval[0] = estimate - half_width;
  difference.interval[1] = estimate + half_width;
  difference.p = rb_student_p(estimate / difference.standard_error, difference.df);
  return difference;
}

static void mean_and_variance(const double *values, size_t n, double *mean, double *variance)
{
  double sum = 0, squares = 0;
  for (size_t i = 0; i < n; i++)
    sum += values[i];
  *mean = sum / (double)n;
  for (size_t i = 0; i < n; i++)
    squares += (values[i] - *mean) * (values[i] - *mean);
  *variance = squares / (double)(n - 1);
}

rb_status rb_difference_welch(const double *a, size_t n_a, const double *b, size_t n_b,
                              rb_difference *difference)
{
  if (n_a < 2 || n_b < 2)
    return RB_BAD_ARG;
  double mean_a = 0, mean_b = 0;
  rb_variance_part parts[2] = {{.coefficient = 1.0 / (double)n_a, .df = (double)(n_a - 1)},
                               {.coefficient = 1.0 / (double)n_b, .df = (double)(n_b - 1)}};
  mean_and_variance(a, n_a, &mean_a, &parts[0].variance);
  mean_and_variance(b, n_b, &mean_b, &parts[1].variance);
  *difference = rb_difference_from_parts(mean_a - mean_b, parts, 2);
  return RB_OK;
}

rb_status rb_difference_one_sample(const double *values, size_t n, rb_difference *difference)
{
  if (n < 2)
    return RB_BAD_ARG;
  double mean = 0;
  rb_variance_part part = {.coefficient = 1.0 / (double)n, .df = (double)(n - 1)};
  mean_and_variance(values, n, &mean, &part.variance);
  *difference = rb_difference_from_parts(mean, &part, 1);
  return RB_OK;
}
