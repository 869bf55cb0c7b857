// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_FFT_H
#define ROLLBOOK_DSP_FFT_H

#include "rollbook/base/attributes.h"

#include <complex.h>
#include <stddef.h>

/// Fourier transforms of real samples, of any length. One object belongs to one thread at a time;
/// objects may be made and freed in any thread.
typedef struct rb_fft rb_fft;

/// NULL is allowed. The plans of the last few lengths are kept for the next rb_fft_new.
void rb_fft_free(rb_fft *fft);

/// Transforms of `n` ≥ 1 samples, forwards and backwards. NULL when memory is out.
RB_OWNED(rb_fft_free) rb_fft *rb_fft_new(size_t n);

/// The smallest even 2^a·3^b·5^c·7^d that is not below `least`: lengths that transform fast.
size_t rb_fft_good_size(size_t least);

/// spectrum[k] = Σ samples[j]·e^(−2πi·j·k/n), k = 0 … n/2 (n/2 + 1 places, rounded down). The
/// samples stay as they are.
void rb_fft_forward(rb_fft *fft, const double *samples, double complex *spectrum);

/// The inverse, with its factor 1/n: forward and then inverse gives the samples back. The n/2 + 1
/// places of the spectrum are used as scratch and lost.
void rb_fft_inverse(rb_fft *fft, double complex *spectrum, double *samples);

#endif
