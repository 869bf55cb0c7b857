// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PROCEDURES_SWEEP_PAIR_H
#define ROLLBOOK_PROCEDURES_SWEEP_PAIR_H

#include "swept.h"

/// What two channels' sweeps say together: balance at 1 kHz and by band, balance and angle over
/// frequency, separation both ways by third octave. Private to this room.
RB_NODISCARD rb_status add_pair(const rb_analysis *analysis, const swept_channel taken[2],
                                const swept_response linear[2], rb_arena *scratch,
                                rb_results *results, rb_err *err);

#endif
