// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STIMULUS_SAMPLES_H
#define ROLLBOOK_STIMULUS_SAMPLES_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/capture.h"

/// What is played, before the guard sets its level.
// unitless: left, right
typedef struct rb_stimulus {
  double *left, *right; ///< n_frames each, peak at most 1. Silence on a channel not driven.
  size_t n_frames;
  double rate_hz;
} rb_stimulus;

/// Times of an exchange, in frames from its start. Around the stimulus go, in this order: silent
/// lead-in, start marker, gap, stimulus, gap, end marker, silent tail (room for the latency).
typedef struct rb_framing {
  size_t marker_start;    ///< First frame of the start marker.
  size_t stimulus_start;  ///<
  size_t stimulus_frames; ///<
  size_t marker_end;      ///< First frame of the end marker.
  size_t n_frames;        ///< All of it.
} rb_framing;

/// Where the stimulus was found in a capture.
typedef struct rb_located {
  double latency_s;      ///< From play to capture.
  double clock_ppm;      ///< Recorder against player; from the two markers (coarse).
  long missing_frames;   ///< By the markers' distance: > 0 lost, < 0 inserted.
  size_t stimulus_start; ///< First frame of the stimulus in the capture.
  bool found;            ///< Both markers were found.
} rb_located;

/// Sizes for a stimulus of `stimulus_frames` at `rate_hz`.
rb_framing rb_framing_for(size_t stimulus_frames, double rate_hz, double lead_in_s, double tail_s);

/// Writes interleaved play frames (framing->n_frames × 2): markers at `marker_peak` on the driven
/// channels, stimulus times `peak[2]`, raised-cosine edges of 10 ms at start and end of each part.
void rb_framing_render(const rb_framing *framing, const rb_stimulus *stimulus, const double peak[2],
                       double marker_peak, float *play);

/// Finds the markers again. Scratch from `arena` is given back.
RB_NODISCARD rb_status rb_framing_locate(const rb_framing *framing, const rb_capture *capture,
                                         rb_arena *arena, rb_located *located);

#endif
