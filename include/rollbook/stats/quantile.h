// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_QUANTILE_H
#define ROLLBOOK_STATS_QUANTILE_H

/// Distributions as the other rooms need them, over GSL.
// unitless: t

/// Quantile of Student's t, 0 < probability < 1; infinite for df ≤ 0, where nothing is known.
double rb_student_quantile(double probability, double df);

/// Probability of a |t| this large or larger under no effect; 1 for df ≤ 0.
double rb_student_p(double t, double df);

/// Quantile of the standard normal distribution, 0 < probability < 1.
double rb_normal_quantile(double probability);

#endif
