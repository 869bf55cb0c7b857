// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_CAPTURE_H
#define ROLLBOOK_MODEL_CAPTURE_H

#include <stdbool.h>
#include <stddef.h>

/// How a capture came through. Flags of the sound system are hints; markers and continuity of phase
/// are the verdict.
typedef struct rb_health {
  size_t clipped_frames;  ///< Frames with a sample at full scale, or on a flat top.
  size_t lost_frames;     ///< Frames missing by markers or phase steps.
  size_t discontinuities; ///< Places where the signal jumps.
  unsigned overruns;      ///< As the sound system said.
  unsigned underruns;     ///< As the sound system said.
  bool usable;            ///< No reading may come from a capture that is not.
} rb_health;

/// Recorded frames: interleaved float32, full scale ±1. A frame is one sample of each channel.
typedef struct rb_capture {
  float *frames;       ///< n_frames × n_channels.
  size_t n_frames;     ///<
  unsigned n_channels; ///< 1 or 2: left, right.
  double rate_hz;      ///< Nominal.
  rb_health health;    ///<
} rb_capture;

/// Copies channel `channel` (0-based) as double; `samples` has n_frames places.
void rb_capture_channel(const rb_capture *capture, unsigned channel, double *samples);

#endif
