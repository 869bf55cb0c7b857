// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_LINES_H
#define ROLLBOOK_DSP_LINES_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

/// Sines fitted together to a record by nonlinear least squares:
///
///     x_j ≈ dc + slope·u_j + Σ_k [ cosine_k·cos(2πν_k·u_j) + sine_k·sin(2πν_k·u_j) ]
///
/// with u_j = j − (n−1)/2 and ν_k = multiple_k × the frequency of the line's group: a tone and its
/// harmonics share one unknown frequency, so do the lines of a mains comb.

enum { RB_LINES_MOST = 64, RB_LINE_GROUPS_MOST = 32 };

// unitless: cosine, sine, dc, slope, multiple, cycles_per_sample, covariance
// unitless: noise_variance, dc_noise_variance
typedef struct rb_line {
  size_t group;
  double multiple;
  double cosine, sine;   ///< Result: peak amplitudes, phase counted from the record's centre.
  double noise_variance; ///< For the covariance: variance per sample of white noise as dense as the
                         ///< noise beside this line.
} rb_line;

typedef struct rb_line_group {
  double cycles_per_sample; ///< Start, within a quarter of 1/n; then the result.
  bool fixed;               ///< Not fitted.
} rb_line_group;

typedef struct rb_line_set {
  rb_line line[RB_LINES_MOST];
  size_t n_lines;
  rb_line_group group[RB_LINE_GROUPS_MOST];
  size_t n_groups;
  bool has_slope;           ///< Fit a slope besides dc.
  double dc, slope;         ///< Result; slope per sample.
  double dc_noise_variance; ///< As of a line, near 0 Hz.
  unsigned n_iterations;    ///< Gauss–Newton steps taken in all.
} rb_line_set;

/// Cycles per sample of line `k`.
double rb_lines_frequency(const rb_line_set *set, size_t k);

/// Fits the set to the samples: amplitudes by linear least squares at the frequencies at hand, then
/// Gauss–Newton steps in all parameters until the frequencies stand still (the strongest to 10⁻⁷ of
/// 1/n). The sums over products of the model come in closed form, so a step needs the data only for
/// its moments. RB_NO_CONVERGENCE where lines are too close to be told apart or the steps do not
/// settle; RB_NO_MEM.
RB_NODISCARD rb_status rb_lines_fit(const double *samples, size_t n, rb_line_set *set,
                                    rb_arena *arena);

/// Parameters, in this order: dc, slope (if any), cosine and sine of each line, frequency (cycles
/// per sample) of each group that is not fixed.
size_t rb_lines_n_parameters(const rb_line_set *set);
size_t rb_lines_cosine_index(const rb_line_set *set, size_t k); ///< The sine's is one more.
/// Place of a group's frequency; rb_lines_n_parameters() for a fixed group.
size_t rb_lines_frequency_index(const rb_line_set *set, size_t group);

/// Covariance of the fitted parameters, first order: G⁻¹·(JᵀRJ)·G⁻¹ with G = JᵀJ, and R taken as
/// noise that near each line is white with that line's noise_variance (the least-squares sandwich).
/// `covariance` has n_parameters² places. RB_NO_CONVERGENCE where G cannot be inverted; RB_NO_MEM.
RB_NODISCARD rb_status rb_lines_covariance(const rb_line_set *set, size_t n, rb_arena *arena,
                                           double *covariance);

#endif
