// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PROCEDURES_SWEPT_H
#define ROLLBOOK_PROCEDURES_SWEPT_H

#include "rollbook/dsp/sweep.h"
#include "rollbook/procedures/procedure.h"

/// How a sweep lies in its stimulus, and the responses taken out of a capture of it. Private to
/// this room.
///
/// Both channels driven: the right one begins stagger_s after the left one, so long that every
/// response of either channel, crosstalk included, falls at a time of its own (P. Majdak, P. Balazs
/// & B. Laback, "Multiple exponential sweep method", J. Audio Eng. Soc. 55(7/8), 2007). Two
/// channels, and the separation between them, then take little longer than one.
typedef struct swept_layout {
  rb_sweep sweep;
  double start_s[2]; ///< Of each channel's sweep, from the stimulus' first frame.
  double tail_s;     ///< After the later one.
  double duration_s; ///< Of it all.
} swept_layout;

/// RB_UNSUPPORTED where the rate cannot carry the sweep.
RB_NODISCARD rb_status swept_layout_for(const rb_signal *signal, rb_channel drive, double rate_hz,
                                        swept_layout *layout, rb_err *err);

/// A response at the points of a grid.
typedef struct swept_response {
  const double *freq_hz;
  double complex *value;
  double *noise_rms;
  size_t n;
} swept_response;

/// What a captured channel holds.
typedef struct swept_channel {
  rb_impulse impulse; ///< Time zero where the first channel's sweep began.
  double began_s;     ///< When this channel's own sweep began after that.
  double delay_s;     ///< Time of its linear response, began_s included.
  double peak;        ///< Its height, signed.
  double other_s;     ///< When the other channel's sweep began.
} swept_channel;

/// Takes the sweep out of one channel's samples. `framed`: they begin with the stimulus; else the
/// sweep may begin anywhere. RB_NO_SIGNAL where no sweep is found.
RB_NODISCARD rb_status swept_take(const swept_layout *layout, unsigned channel, bool framed,
                                  double clock_offset, const double *samples, size_t n,
                                  rb_arena *arena, swept_channel *taken, rb_err *err);

/// The grid of points at which an order's response is kept: 1/24 octave of output frequency.
RB_NODISCARD rb_status swept_grid(const swept_layout *layout, unsigned order, rb_arena *arena,
                                  swept_response *response, rb_err *err);

/// Response of harmonic `order` of the channel's own sweep (order 1: the linear one), at the
/// response's frequencies.
RB_NODISCARD rb_status swept_own(const swept_channel *taken, unsigned order, rb_arena *arena,
                                 swept_response *response, rb_err *err);

/// What the other channel's sweep left here.
RB_NODISCARD rb_status swept_leak(const swept_channel *taken, rb_arena *arena,
                                  swept_response *response, rb_err *err);

#endif
