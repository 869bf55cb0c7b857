// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_SWEEP_H
#define ROLLBOOK_DSP_SWEEP_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <complex.h>
#include <stddef.h>

/// Synchronized exponential sweep and what a capture of it says: the linear response and the
/// responses of the harmonics, all from one sweep.
///
/// x(t) = sin(2π f1 L e^(t/L)), with f1·L rounded to a whole number, so that the n-th harmonic of
/// the sweep is the sweep itself L·ln(n) seconds earlier (A. Novak, P. Lotton & L. Simon,
/// "Synchronized Swept-Sine: Theory, Application and Implementation", J. Audio Eng. Soc. 63(10),
/// 786–798, 2015; after A. Farina, AES 108th Convention, preprint 5093, 2000).

// unitless: capture, captured, played, clock_offset, linear, harmonic, response

enum { RB_SWEEP_MAX_ORDER = 5 };

/// A sweep; made by rb_sweep_design().
typedef struct rb_sweep {
  double first_hz;   ///< f1: frequency at t = 0.
  double last_hz;    ///< f2: frequency at the end.
  double rate_hz;    ///< Samples a second.
  double growth_s;   ///< L: seconds in which the frequency grows by e.
  double duration_s; ///< L·ln(f2/f1), near the duration asked for.
  double fade_in_s;  ///< Raised cosine at the start.
  double fade_out_s; ///< Raised cosine at the end.
  size_t n_samples;  ///< ⌈duration·rate⌉.
} rb_sweep;

/// A sweep of about `duration_s` from first_hz to last_hz. Fades: half an octave's time at the
/// start, 5 ms at the end; start an octave below and end 5 % above the band wanted, for the fades
/// lie outside it. RB_BAD_ARG unless 0 < first_hz < last_hz < rate_hz/2 and f1·L rounds to at
/// least 1.
RB_NODISCARD rb_status rb_sweep_design(double first_hz, double last_hz, double duration_s,
                                       double rate_hz, rb_sweep *sweep);

/// The samples, peak 1, at sample times k·(1 + clock_offset)/rate_hz: 0 for what is played; the
/// recorder's offset for what a slow or fast recorder would have written of it. Writes `n` samples,
/// zeros after the sweep's end.
void rb_sweep_samples(const rb_sweep *sweep, double clock_offset, double *samples, size_t n);

/// L·ln(order): how much earlier the response of a harmonic appears than the linear one.
double rb_sweep_lag_s(const rb_sweep *sweep, unsigned order);

/// A capture of one channel with the sweep taken out of it.
typedef struct rb_impulse {
  rb_sweep sweep;
  double clock_offset;
  double *linear;   ///< Divided by the spectrum of the samples played: exact for H1.
  double *harmonic; ///< Times the closed form of the inverse spectrum, the linear response
                    ///< taken out; NULL until rb_impulse_harmonics().
  double complex *captured, *played; ///< Spectra, n/2 + 1.
  size_t n;          ///< Samples of the responses; time 0 at index 0, negative times at the end.
  double tail_s;     ///< Time after the linear response that holds nothing else: what was captured
                     ///< after the sweep's end; the caller may lower it.
  double quiet_s[2]; ///< From when to when no response lies: noise is measured there. In the tail;
                     ///< the caller may move it.
} rb_impulse;

/// Takes the sweep out of `n` captured samples, whose first one is the first one played; record at
/// least 0.5 s after its end. Some 24 bytes a sample stay in `arena`. `clock_offset` is (capture
/// sample k) = (played at k·(1+offset)/rate): positive where the recorder is slow. Both results
/// live in `arena`. RB_BAD_ARG where the capture is shorter than the sweep; RB_NO_MEM.
RB_NODISCARD rb_status rb_sweep_deconvolve(const rb_sweep *sweep, const double *capture, size_t n,
                                           double clock_offset, rb_arena *arena,
                                           rb_impulse *impulse);

/// Time of the linear response's highest peak between earliest_s and latest_s, to a fraction of a
/// sample; `peak` (may be NULL) gets its signed height: its sign is the polarity.
double rb_impulse_delay_s(const rb_impulse *impulse, double earliest_s, double latest_s,
                          double *peak);

/// Makes `impulse->harmonic`, in `arena`: must be called before harmonics are read. The linear
/// response at `delay_s` is taken out first, for what the closed form leaves of it (some −90 dB
/// where the sweep begins) would lie under the bass of small harmonics. RB_NO_MEM.
RB_NODISCARD rb_status rb_impulse_harmonics(rb_impulse *impulse, double delay_s, rb_arena *arena);

/// The response of harmonic `order` (1 … RB_SWEEP_MAX_ORDER) at *output* frequencies `freq_hz`,
/// with its time origin at exactly delay_s − L·ln(order), so that delay_s is taken out of every
/// order alike. Order 1 is the linear response. Harmonic n holds from n·first_hz up to the lesser
/// of n·last_hz and half the rate; outside it is 0. For a memoryless polynomial driven by a sine of
/// peak 1 order 2 is −j(a2+a4)/2 and so on: the n-th output phasor over the input sine's own (Novak
/// et al., section 3). `noise_rms` (may be NULL) gets at each point the rms size of the noise in
/// the response, as found where no response lies. Scratch from `arena` is given back.
RB_NODISCARD rb_status rb_impulse_response(const rb_impulse *impulse, unsigned order,
                                           double delay_s, const double *freq_hz, size_t n_freq,
                                           rb_arena *arena, double complex *response,
                                           double *noise_rms);

/// Standard uncertainty, in dB, of a magnitude whose complex noise has this rms size; to first
/// order: 20/ln(10)·noise/(√2·magnitude).
double rb_response_noise_db(double magnitude, double noise_rms);

#endif
