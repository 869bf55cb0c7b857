// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_TONE_H
#define ROLLBOOK_DSP_TONE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/error.h"
#include "rollbook/dsp/estimate.h"

#include <stdbool.h>
#include <stddef.h>

/// Everything about a steady tone: frequency, level, harmonics with their angles, distortion,
/// noise, mains hum.
///
/// Model: x(t) = DC (+ slow drift) + Σ A_n·cos(2πn·f·t + φ_n) + mains comb with a fundamental of
/// its own + any other line strong enough to leak into those, + noise. All lines are fitted at once
/// by least squares to the whole unwindowed record (Gauss–Newton from windowed transforms). For
/// white noise that is the maximum-likelihood estimate, whose spread reaches the Cramér–Rao bound
/// (D. C. Rife, R. R. Boorstyn, IEEE Trans. IT-20(5), 1974; P. Händel, IEEE Trans. IM-49(6), 2000).
/// The tone need not be centred on a bin; five periods are enough.
///
/// Where an edge of the record leaks into a harmonic or a mains line (an offset still settling),
/// the windowed transform contradicts the fit and replaces it there, at its larger uncertainty.
///
/// Uncertainties are first order, from the noise density measured beside each line, so coloured
/// noise and the skirts of an unsteady tone count where they stand. Calibration is not in them.
///
/// Definitions. Amplitudes are peak values of cosine terms, in the samples' unit; angles in
/// degrees. THD re fundamental is √(ΣA_n²)/A_1 over n = 2 … n_harmonics, re total it is the same
/// root over √(ΣA_n²) from n = 1 (both forms after IEC 60268-3, from memory). THD+N is the rms of
/// all that is not the tone and lies in the band, against the rms of the tone (AES17 refers to the
/// total instead, from memory; that is sinad's denominator). Expected noise power is taken off sums
/// of squares, so noise does not raise a distortion that is not there.
///
/// Edges. Harmonics at or above 0.98 of half the rate are absent. A line belongs to the band when
/// its frequency lies within the edges, both included with a slack of 10⁻³ (a clock offset must not
/// decide whether the twentieth harmonic of 1 kHz counts at 20 kHz: it does). Harmonics outside the
/// band are reported each for itself but are not in the sums.

enum {
  RB_TONE_HARMONICS = 10, ///< Places for n = 0 … 10; 0 and 1 of harmonic[] are unused.
  RB_TONE_HUM_LINES = 6,  ///< Mains lines reported: 1× … 6×.
};

/// Zero is a good value for every field but the band: start from rb_tone_options_default().
typedef struct rb_tone_options {
  double expected_hz;   ///< Look within ±2 % (at least ±3 bins) of it; 0: take the strongest.
  unsigned n_harmonics; ///< 2 … 10; 0: 10.
  double mains_hz;      ///< 50 or 60: look within ±1 %; 0: try both.
  double band_low_hz;   ///< Lower edge of sums and noise.
  double band_high_hz;  ///< Upper edge.
} rb_tone_options;

/// 10 harmonics, 20 Hz to 20 kHz, strongest tone, mains found by itself.
rb_tone_options rb_tone_options_default(void);

/// One harmonic against the fundamental.
typedef struct rb_harmonic {
  bool present;          ///< False above Nyquist; the rest is zero then.
  bool in_band;          ///< Counted in the sums.
  rb_estimate amplitude; ///< Peak, samples' unit.
  rb_estimate ratio;     ///< A_n/A_1.
  rb_estimate phase_deg; ///< φ_n − n·φ_1, folded to ±180: does not depend on time zero. No floor;
                         ///< `resolved` as the amplitude.
} rb_harmonic;

/// One line of the mains comb. It is told from a harmonic of the tone from 0.6/T Hz apart, T the
/// record's length; closer than that its hum is in the harmonic.
typedef struct rb_hum {
  bool present; ///< False where it cannot be told from the tone or a harmonic, or > Nyquist.
  rb_estimate amplitude; ///< Peak, samples' unit.
} rb_hum;

typedef struct rb_tone {
  rb_estimate frequency_hz; ///<
  rb_estimate amplitude;    ///< Peak of the fundamental, samples' unit.
  rb_estimate rms;          ///< amplitude/√2.
  rb_estimate phase_deg;    ///< Of the cosine at the first sample, folded to ±180.
  rb_estimate dc;           ///< Mean over the record beside the tone.
  rb_harmonic harmonic[RB_TONE_HARMONICS + 1]; ///< Index is n: 2 … 10.
  rb_estimate thd_ratio;                       ///< Re fundamental.
  rb_estimate thd_total_ratio;                 ///< Re total of fundamental and harmonics.
  rb_estimate thd_n_ratio;                     ///< Re fundamental, band.
  rb_estimate thd_n_total_ratio;               ///< Re total, band.
  rb_estimate sinad_db;                        ///< −20·log10 of thd_n_total_ratio.
  rb_estimate noise_rms;         ///< Band, without tone, all its harmonics, mains lines and
                                 ///< what hum_on_tone_ratio is made of.
  rb_estimate hum_on_tone_ratio; ///< Modulation of the tone by the mains and its multiples:
                                 ///< √Σ(A₊ + A₋)²/A_1 over the pairs at f ± k·mains, k = 1 … 6
                                 ///< (sidebands summed as SMPTE RP 120 does, from memory). Only
                                 ///< where mains was found.
  rb_estimate even_ratio;            ///< √(A_2² + A_4² + …)/A_1.
  rb_estimate odd_ratio;             ///< √(A_3² + A_5² + …)/A_1.
  rb_estimate h2_signed_ratio;       ///< (A_2/A_1)·cos(φ_2 − 2φ_1); floor of its size.
  bool mains_found;                  ///<
  rb_estimate mains_hz;              ///< Zero where not found.
  rb_hum hum[RB_TONE_HUM_LINES + 1]; ///< Index is the multiple: 1 … 6; from the nominal frequency
                                     ///< where no mains was found.
  double density_at_tone_per_hz;     ///< Noise density beside the tone, unit²/Hz.
  size_t n_lines;                    ///< Lines fitted in all.
  unsigned n_iterations;             ///< Of Gauss–Newton.
} rb_tone;

/// Analyses `n` samples of one channel. Scratch (some 40 bytes a sample) is taken from `arena` and
/// given back. RB_BAD_ARG: fewer than 256 samples, a rate or band that makes no sense, a sample
/// that is not finite. RB_NO_SIGNAL: no tone stands out of the noise, none near expected_hz, or
/// fewer than three periods of it. RB_NO_CONVERGENCE: the record is no steady tone. RB_NO_MEM.
RB_NODISCARD rb_status rb_tone_analyse(const double *samples, size_t n, double rate_hz,
                                       const rb_tone_options *options, rb_arena *arena,
                                       rb_tone *tone, rb_err *err);

#endif
