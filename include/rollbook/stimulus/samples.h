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
/// lead-in, start marker, pause, second start marker, gap, stimulus, gap, end marker, silent tail
/// (room for the latency).
///
/// Why two start markers: the distance of one marker at each end cannot tell a lost block from a
/// clock offset (64 frames of a 10 s stimulus at 48 kHz are 133 ppm). The pair at the start, with
/// nothing but a pause between, gives the clock offset by itself; what the end marker then is off
/// by is loss.
typedef struct rb_framing {
  size_t marker_start;    ///< First frame of the start marker.
  size_t marker_second;   ///< First frame of the second start marker.
  size_t stimulus_start;  ///<
  size_t stimulus_frames; ///<
  size_t marker_end;      ///< First frame of the end marker.
  size_t n_frames;        ///< All of it.
  double rate_hz;         ///<
} rb_framing;

/// Where the stimulus was found in a capture.
// unitless: stimulus_at
typedef struct rb_located {
  double latency_s;      ///< From play to capture.
  double clock_ppm;      ///< Recorder against player: > 0, it took more frames than were played.
  long missing_frames;   ///< Between the markers: > 0 lost, < 0 inserted; 0 within the tolerance.
  double stimulus_at;    ///< Frame of the capture where the stimulus begins, with its fraction.
  size_t stimulus_start; ///< The same, rounded.
  int polarity[2]; ///< Of the markers on each channel: +1, −1 turned over, 0 not heard there.
  bool found;      ///< All markers were found.
} rb_located;

/// Edges of everything that is played, seconds.
#define RB_EDGE_S 0.010

/// Sizes for a stimulus of `stimulus_frames` at `rate_hz`.
rb_framing rb_framing_for(size_t stimulus_frames, double rate_hz, double lead_in_s, double tail_s);

/// Seconds that framing adds to a stimulus, lead-in and tail not counted.
double rb_framing_overhead_s(double rate_hz);

/// Writes interleaved play frames (framing->n_frames × 2): markers at `marker_peak[2]`, stimulus
/// times `peak[2]`, raised-cosine edges of RB_EDGE_S over the first and last frames of the
/// stimulus. A stimulus that is later compared with its capture sample by sample begins and ends
/// with that much silence of its own. RB_NO_MEM.
RB_NODISCARD rb_status rb_framing_render(const rb_framing *framing, const rb_stimulus *stimulus,
                                         const double peak[2], const double marker_peak[2],
                                         rb_arena *arena, float *play);

/// Frames by which the markers' distance may be off before frames count as lost: 2, plus 2 ppm of
/// the distance for what the clock estimate of the start pair leaves open. A loss of 64 frames is
/// found in stimuli of up to 10 minutes at 48 kHz; smaller ones are left to continuity of phase.
long rb_framing_tolerance(const rb_framing *framing);

/// Finds the markers again, on whichever channel they are louder. A capture where not all are found
/// is no error: `located->found` is false and the rest is zero. Scratch from `arena` is given back.
/// RB_NO_MEM.
RB_NODISCARD rb_status rb_framing_locate(const rb_framing *framing, const rb_capture *capture,
                                         rb_arena *arena, rb_located *located);

/// The capture's frames of the stimulus, plus `tail_frames` behind, as far as there are: a view
/// into the same memory. `located->found` must be true.
rb_capture rb_framing_cut(const rb_framing *framing, const rb_located *located,
                          const rb_capture *capture, size_t tail_frames);

#endif
