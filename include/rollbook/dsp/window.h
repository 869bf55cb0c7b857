// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_WINDOW_H
#define ROLLBOOK_DSP_WINDOW_H

#include <complex.h>
#include <stddef.h>

/// Windows with their published coefficients. Cosine sums w(z) = Σ c_k·cos(2πkz) over one period
/// z = j/n, j = 0 … n−1 (the periodic form that belongs to a Fourier transform, not the symmetric
/// one), and the Kaiser window. All are scaled to mean 1, so that a sine of amplitude A on a bin
/// reads A·n/2 there whatever the window.
///
/// Sources: F. J. Harris, Proc. IEEE 66(1), 1978, Table I; A. H. Nuttall, IEEE Trans. ASSP-29(1),
/// 1981; G. Heinzel, A. Rüdiger, R. Schilling, Spectrum and spectral density estimation by the
/// DFT, MPI für Gravitationsphysik, 2002 (HFT windows); H.-H. Albrecht, ICASSP 2001; J. F. Kaiser,
/// R. W. Schafer, IEEE Trans. ASSP-28(1), 1980.
typedef enum rb_window_kind {
  RB_WINDOW_RECTANGULAR,
  RB_WINDOW_HANN,
  RB_WINDOW_HAMMING,
  RB_WINDOW_BLACKMAN,
  RB_WINDOW_BLACKMAN_HARRIS_3,
  RB_WINDOW_BLACKMAN_HARRIS_4,
  RB_WINDOW_NUTTALL_4B,
  RB_WINDOW_NUTTALL_4C,
  RB_WINDOW_HFT70,
  RB_WINDOW_HFT90D,
  RB_WINDOW_HFT95,
  RB_WINDOW_HFT116D,
  RB_WINDOW_HFT144D,
  RB_WINDOW_HFT169D,
  RB_WINDOW_HFT196D,
  RB_WINDOW_HFT223D,
  RB_WINDOW_HFT248D,
  RB_WINDOW_ALBRECHT_7,
  RB_WINDOW_KAISER_20,
  RB_WINDOW_KAISER_30,
  RB_WINDOW_COUNT
} rb_window_kind;

enum { RB_WINDOW_TERMS = 11 };

/// What is printed about a window, 0 where nothing is. The tests recompute all of it.
// unitless: kaiser_beta
typedef struct rb_window {
  const char *name;                     ///< "hft144d".
  size_t n_terms;                       ///< Of the cosine sum; 0 for Kaiser.
  double coefficients[RB_WINDOW_TERMS]; ///< c_0 …, as published.
  double kaiser_beta;                   ///< π·α of the Kaiser window; 0 for cosine sums.
  double published_enbw_bins;           ///< Equivalent noise bandwidth.
  double published_sidelobe_db;         ///< Highest sidelobe re main lobe.
  double published_scalloping_db;       ///< Largest error within half a bin, its size.
  double first_null_bins;               ///< Half width of the main lobe.
} rb_window;

/// The row of a window. Shared, not to be freed.
const rb_window *rb_window_get(rb_window_kind kind);

/// The window of that name, or NULL.
const rb_window *rb_window_find(const char *name);

/// Writes the `n` ≥ 1 weights, scaled to mean 1.
void rb_window_fill(const rb_window *window, size_t n, double *weights);

/// Equivalent noise bandwidth of an `n`-point window in bins: n·Σw²/(Σw)².
double rb_window_enbw_bins(const rb_window *window, size_t n);

/// What the transform of an `n`-point window shows `offset_bins` off a complex tone of amplitude 1,
/// divided by n: 1 at offset 0. Any real offset within ±n/2. Cosine sums only; closed form.
double complex rb_window_response(const rb_window *window, size_t n, double offset_bins);

#endif
