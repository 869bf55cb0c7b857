// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef WAVES_H
#define WAVES_H

#include "rollbook/base/random.h"

#include <stddef.h>

/// Test signals in double precision; the phase is reduced before the sine, so that long records
/// stay exact.

/// Adds amplitude·cos(2π·hz·t + phase_rad).
void add_cosine(double *samples, size_t n, double rate_hz, double hz, double amplitude,
                double phase_rad);

/// Adds white Gaussian noise.
void add_noise(double *samples, size_t n, double rms, rb_random *random);

/// Rounds to the steps of a converter of that many bits, full scale ±1, with triangular dither of
/// two steps' width when `random` is not NULL.
void quantise(double *samples, size_t n, unsigned bits, rb_random *random);

#endif
