// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_CHART_H
#define ROLLBOOK_STATS_CHART_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// Control charts: is a reading over time still what it was? Constants for samples of n from a
/// normal distribution, computed and not copied (compare ASTM Manual 7, table of factors;
/// Montgomery, Introduction to Statistical Quality Control, appendix).

// unitless: d2, d3, c4, a2, a3, d3_limit, d4_limit, b3, b4
typedef struct rb_chart_constants {
  double d2;       ///< Mean of the range over σ.
  double d3;       ///< Standard deviation of the range over σ.
  double c4;       ///< Mean of the standard deviation over σ.
  double a2, a3;   ///< Limits of the mean: ± a2 · mean range, ± a3 · mean standard deviation.
  double d3_limit; ///< Limits of the range: d3_limit and d4_limit times the mean range.
  double d4_limit; ///<
  double b3, b4;   ///< Limits of the standard deviation: b3 and b4 times its mean.
} rb_chart_constants;

/// For samples of `n`, 2 … 25. RB_BAD_ARG else.
RB_NODISCARD rb_status rb_chart_constants_for(unsigned n, rb_chart_constants *constants);

/// Limits of a chart of single values: mean ± 3 · mean moving range / d2(2). RB_BAD_ARG below two.
RB_NODISCARD rb_status rb_chart_individuals(const double *values, size_t n, double *mean,
                                            double limits[2]);

/// Exponentially weighted moving average z = λ·x + (1 − λ)·z from `start` (Roberts, Technometrics
/// 1(3), 1959); `averages` has n places.
// unitless: start, averages
void rb_ewma(const double *values, size_t n, double lambda, double start, double *averages);

/// Half-width of its limits at the i-th value (from 1): width · σ · √(λ/(2−λ)·(1 − (1−λ)^(2i))).
// unitless: width
double rb_ewma_limit(double lambda, double width, double sigma, size_t i);

#endif
