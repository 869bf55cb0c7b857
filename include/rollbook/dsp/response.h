// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_RESPONSE_H
#define ROLLBOOK_DSP_RESPONSE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <complex.h>
#include <stdbool.h>
#include <stddef.h>

// unitless: response

/// What is read off a response: corners, band means, angles, group delay. A response is `n` complex
/// values (output over input, linear) at rising frequencies `freq_hz`.

/// Number of points of the grid of `per_octave` points an octave from `low_hz` to `high_hz`, both
/// ends included: 1000·2^(k/per_octave), so that 1 kHz is always a point.
size_t rb_log_grid_size(double low_hz, double high_hz, unsigned per_octave);

/// Writes that grid; returns its size. `freq_hz` has rb_log_grid_size() places.
size_t rb_log_grid(double low_hz, double high_hz, unsigned per_octave, double *freq_hz);

/// Magnitude in dB of each value.
void rb_response_db(const double complex *response, size_t n, double *magnitude_db);

/// `magnitude_db` at `freq_hz`, linear in dB over log frequency; the end value outside the grid.
double rb_response_at_db(const double *freq_hz, const double *magnitude_db, size_t n, double at_hz);

/// The frequency below (`upward` false) or above (`upward` true) `reference_hz` at which the
/// magnitude first falls `drop_db` under its value at `reference_hz`; between points linear in dB
/// over log frequency. Returns false where it does not fall that far inside the grid. "−3 dB" of a
/// first-order filter is drop_db = 10·log10(2) = 3.0103.
bool rb_response_corner(const double *freq_hz, const double *magnitude_db, size_t n,
                        double reference_hz, double drop_db, bool upward, double *corner_hz);

/// Mean power of the band low_hz … high_hz over log frequency, in dB re the magnitude at
/// `reference_hz` (0 Hz: re 0 dB). Trapezoids between points, band ends interpolated.
double rb_response_band_db(const double *freq_hz, const double *magnitude_db, size_t n,
                           double low_hz, double high_hz, double reference_hz);

/// Angle of each value in degrees, unfolded from point to point and shifted by whole turns so that
/// it lies within ±180° at the point nearest `reference_hz`.
void rb_response_phase_deg(const double *freq_hz, const double complex *response, size_t n,
                           double reference_hz, double *phase_deg);

/// Group delay −dφ/dω of an unfolded angle, by central differences (one-sided at the ends).
void rb_response_group_delay(const double *freq_hz, const double *phase_deg, size_t n,
                             double *delay_s);

/// The pure delay that, removed from `response`, leaves the least weighted angle between low_hz and
/// high_hz: a straight line through the unfolded angle that meets 0° or 180° at 0 Hz.
double rb_response_delay_s(const double *freq_hz, const double complex *response, size_t n,
                           double low_hz, double high_hz);

/// Turns every value by +2πf·delay_s: takes a delay out of a response.
void rb_response_undelay(const double *freq_hz, double complex *response, size_t n, double delay_s);

#endif
