// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_TONE_LINES_H
#define ROLLBOOK_DSP_TONE_LINES_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/error.h"
#include "rollbook/dsp/lines.h"
#include "rollbook/dsp/residual.h"
#include "rollbook/dsp/tone.h"

#include <stdbool.h>
#include <stddef.h>

/// The first half of the tone analysis: which lines there are, fitted together, and what is left.

typedef enum rb_line_role {
  RB_LINE_TONE,  ///< The tone or one of its harmonics (group 0).
  RB_LINE_HUM,   ///< Of the mains comb (hum_group).
  RB_LINE_OTHER, ///< Anything else that would leak.
} rb_line_role;

enum { RB_NO_LINE = RB_LINES_MOST };

typedef struct rb_tone_lines {
  rb_line_set set;
  rb_line_role role[RB_LINES_MOST];
  size_t
      harmonic[RB_TONE_HARMONICS + 1]; ///< Line of the n-th harmonic (1: the tone) or RB_NO_LINE.
  size_t hum[RB_TONE_HUM_LINES + 1];   ///< Line of the mains multiple or RB_NO_LINE.
  bool mains_found;
  size_t hum_group;     ///< Meaningful where mains was found.
  rb_residual residual; ///< All lines taken off; their surroundings masked.
} rb_tone_lines;

/// Finds and fits the lines. The residual lives in `arena`, scratch does not. Errors as
/// rb_tone_analyse.
RB_NODISCARD rb_status rb_tone_lines_find(const double *samples, size_t n, double rate_hz,
                                          const rb_tone_options *options, rb_arena *arena,
                                          rb_tone_lines *lines, rb_err *err);

#endif
