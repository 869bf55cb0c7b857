// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_RESIDUAL_H
#define ROLLBOOK_DSP_RESIDUAL_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <complex.h>
#include <stdbool.h>
#include <stddef.h>

/// The windowed transform of a record, from which lines are taken off one by one in closed form
/// (Albrecht's 7-term window: outside ±7 bins a line leaks less than −180 dB), so that weaker lines
/// and the noise come to light. Frequencies are in cycles per sample; "bins" are 1/n of the record;
/// the transform may be padded a little, its own places are called points.
// unitless: power, least_power, level, cycles_per_sample, low_cycles, high_cycles, variance
// unitless: fourth_power, power_per_variance, transform, amplitude
typedef struct rb_residual {
  size_t n;                  ///< Samples of the record.
  size_t padded;             ///< Length of the transform.
  size_t n_points;           ///< padded/2 + 1.
  double complex *transform; ///<
  double *power;             ///< |transform|².
  unsigned char *mask;       ///< Not 0: the point belongs to a line.
  double *level;             ///< Robust mean power of noise, one a cell of RB_RESIDUAL_CELL points.
  double least_power;        ///< What is fainter is taken for rounding, not for a line.
  double power_per_variance; ///< Expected power for white noise of variance 1.
  double fourth_power;       ///< Σw⁴/(Σw²)², for the spread of sums of power.
} rb_residual;

enum { RB_RESIDUAL_CELL = 128 };

/// Transforms `n` ≥ 64 samples. All memory from `arena`. RB_NO_MEM.
RB_NODISCARD rb_status rb_residual_make(const double *samples, size_t n, rb_arena *arena,
                                        rb_residual *residual);

/// The point nearest to a frequency.
size_t rb_residual_point(const rb_residual *residual, double cycles_per_sample);

/// Takes off a line x = Re(amplitude·e^(2πi·ν·u)), u from the record's centre. A frequency of 0 and
/// a real amplitude is a constant. Minus the same puts it back.
void rb_residual_subtract(rb_residual *residual, double cycles_per_sample,
                          double complex amplitude);

/// Amplitude, as above, of the line at a known frequency, from the point next to it.
double complex rb_residual_amplitude(const rb_residual *residual, double cycles_per_sample);

/// The unmasked point of largest power between two frequencies; n_points when there is none.
size_t rb_residual_peak(const rb_residual *residual, double low_cycles, double high_cycles);

/// Frequency of the line whose peak is at `point`, between points.
double rb_residual_refine(const rb_residual *residual, size_t point);

/// Marks the points within `radius_bins` of a frequency.
void rb_residual_mask(rb_residual *residual, double cycles_per_sample, double radius_bins,
                      unsigned char value);
void rb_residual_unmask(rb_residual *residual);

/// Measures `level` anew, cell by cell: the median of the means of eight points.
void rb_residual_measure_levels(rb_residual *residual);

/// Variance per sample of white noise as dense as what is found beside a frequency, outside
/// `inner_bins` and masked points: a trimmed mean, so that undetected lines weigh little.
double rb_residual_variance_beside(const rb_residual *residual, double cycles_per_sample,
                                   double inner_bins);

/// Mean square of all unmasked points between two frequencies, masked ones replaced by the mean of
/// their cell, and the variance of that.
void rb_residual_mean_square(const rb_residual *residual, double low_cycles, double high_cycles,
                             double *value, double *variance);

#endif
