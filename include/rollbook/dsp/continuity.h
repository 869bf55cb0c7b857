// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_CONTINUITY_H
#define ROLLBOOK_DSP_CONTINUITY_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

/// Whether a recording came through whole: clipping at the recorder, lost or inserted frames,
/// jumps, stretches of exact zeros.
///
/// Clipping is a run of three or more samples at one and the same extreme value that the signal
/// runs into at a slope (the turn of a smooth wave, however coarsely quantised, is no clipping):
/// one such run at full scale (≥ 0.9995), three at a lower value down to 0.5 (a stage before the
/// converter clipped, or the recording was scaled later). An overdriven amplifier has rounded,
/// sloping, noisy tops; those are its sound and no fault of the recording, and so are exactly flat
/// tops below 0.5.
///
/// Losses are found as steps in the phase of the steady tone, block against block; a loss of a
/// whole number of periods moves no phase and is left to the markers (rb_framing_locate), unless it
/// shows as a jump.

typedef enum rb_break_kind {
  RB_BREAK_PHASE_STEP, ///< Frames lost (> 0) or inserted (< 0).
  RB_BREAK_JUMP,       ///< One sample-to-sample jump far outside the signal's own.
  RB_BREAK_ZEROS,      ///< A run of exact zeros (or of one frozen value) inside the tone.
} rb_break_kind;

typedef struct rb_break {
  rb_break_kind kind;
  size_t frame;  ///< About where.
  double frames; ///< Phase step: lost frames, modulo a period, smallest size. Zeros: run length.
} rb_break;

enum { RB_CONTINUITY_BREAKS = 16 };

typedef struct rb_continuity {
  size_t clipped_frames;  ///< Samples on flat tops.
  double clip_value;      ///< Their size (unit of the samples); 0 for none.
  size_t lost_frames;     ///< By phase steps and zero runs, sum of sizes.
  size_t discontinuities; ///< Breaks in all, whether listed or not.
  size_t not_finite;      ///< Samples that are NaN or infinite. The rest is not judged then.
  rb_break breaks[RB_CONTINUITY_BREAKS]; ///< The first ones, in order of time.
  size_t n_breaks;                       ///<
  bool usable;                           ///< Nothing clipped, lost, broken or not finite.
} rb_continuity;

/// Judges one channel. `tone_hz`: the steady tone in it, 0 when there is none (no phase is followed
/// and only clipping, not finite samples and full-scale runs count). Scratch from `arena` is given
/// back. RB_NO_MEM.
RB_NODISCARD rb_status rb_continuity_check(const double *samples, size_t n, double rate_hz,
                                           double tone_hz, rb_arena *arena,
                                           rb_continuity *continuity);

#endif
