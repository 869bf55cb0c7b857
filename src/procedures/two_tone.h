// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PROCEDURES_TWO_TONE_H
#define ROLLBOOK_PROCEDURES_TWO_TONE_H

#include "common.h"

/// Two steady tones at once: what the intermodulation procedures share. Private to this room.
typedef struct two_tone {
  double hz[2];
  double amplitude_ratio; ///< First over second.
  double settle_s, duration_s;
} two_tone;

/// Both tones, together of peak 1, on the channels of `drive`.
RB_NODISCARD rb_status two_tone_plan(const rb_signal *signal, const two_tone *tones,
                                     rb_channel drive, double rate_hz, rb_arena *arena,
                                     rb_stimulus *stimulus, rb_err *err);

/// Measures one driven channel's samples and adds its readings.
typedef rb_status two_tone_channel_fn(const rb_analysis *analysis, const two_tone *tones,
                                      unsigned channel, const double *samples, size_t n,
                                      double rate_hz, rb_arena *scratch, rb_results *results,
                                      rb_err *err);

/// Judges one channel, cuts the settling off and hands it to `measure` where it is driven.
RB_NODISCARD rb_status two_tone_channel(const rb_analysis *analysis, const two_tone *tones,
                                        rb_capture *capture, unsigned channel,
                                        two_tone_channel_fn *measure, rb_arena *scratch,
                                        rb_results *results, rb_err *err);

/// What a failed measurement means, in words.
rb_status two_tone_failed(rb_status status, const two_tone *tones, unsigned channel, rb_err *err);

#endif
