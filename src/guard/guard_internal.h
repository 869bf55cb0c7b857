// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef GUARD_INTERNAL_H
#define GUARD_INTERNAL_H

#include "rollbook/guard/guard.h"

struct rb_guard {
  rb_rig *rig;
  rb_bench bench;
  double gain_vrms[2];    // volts rms at the load for a sine of peak 1; 0: not known yet
  double loudest_peak[2]; // played so far
};

// Silence around what is played. A card has run for a second of silence before its first exchange
// already; the tail is room for its latency.
typedef struct margins {
  double lead_in_s, tail_s;
} margins;

margins margins_of(const rb_guard *guard);

// The highest peak of drive the bench allows on a channel, full scale 1.
double highest_peak(const rb_guard *guard, unsigned channel);

// The last look before any sound: RB_UNSAFE for a frame over the ceiling, RB_BUG for one that is no
// number. The message names the channel.
rb_status check_play(const rb_guard *guard, const float *play, size_t n_frames, rb_err *err);

// Plays and captures `wanted->n_frames` frames; clip level, fade and patience are the guard's own.
rb_status exchange_once(rb_guard *guard, const rb_exchange *wanted, rb_capture *capture,
                        rb_err *err);

#endif
