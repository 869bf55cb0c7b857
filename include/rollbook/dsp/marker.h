// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_MARKER_H
#define ROLLBOOK_DSP_MARKER_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

/// A short mark put around what is played, to find it again in what was captured: a chirp from
/// 1 kHz to 3 kHz of 30 ms under a raised-cosine envelope. It passes any audio amplifier, carries
/// no energy at the mains or in the treble, and its matched filter has one sharp peak.

#define RB_MARKER_S 0.030 ///< Length, seconds.

/// Samples of a marker at `rate_hz` (8 kHz or more).
size_t rb_marker_length(double rate_hz);

/// Writes rb_marker_length(rate_hz) samples, peak at most 1, first and last near 0.
void rb_marker_fill(double rate_hz, double *samples);

/// Where a marker was found.
// unitless: position_uncertainty
typedef struct rb_marker {
  bool found;                  ///<
  double position;             ///< Sample where the marker begins, with its fraction.
  double position_uncertainty; ///< Standard uncertainty in samples, from the noise around it.
  int polarity;                ///< +1, or −1 turned over.
  double gain_ratio;           ///< Its amplitude against the marker as generated.
  double score; ///< Normalised correlation at the peak, 0 … 1: share of the signal there that is
                ///< the marker, as an amplitude.
} rb_marker;

/// Looks for the best marker that begins at a sample of [first, last] (cut so that it ends within
/// the n samples), by matched filter with interpolation between samples; normalising by the local
/// energy keeps louder signals elsewhere from winning. Found means a score above 0.5: noise alone
/// and other programme do not reach it. Scratch from `arena` is given back. RB_BAD_ARG for a rate
/// below 8 kHz or an empty range, RB_NO_MEM; not finding one is no error.
RB_NODISCARD rb_status rb_marker_find(const double *samples, size_t n, double rate_hz, size_t first,
                                      size_t last, rb_arena *arena, rb_marker *marker);

#endif
