// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_JUDGE_LISTENER_H
#define ROLLBOOK_JUDGE_LISTENER_H

#include "rollbook/base/error.h"
#include "rollbook/judge/compare.h"
#include "rollbook/model/bench.h"

/// Hum and hiss where the listener sits: volts at the loudspeaker's terminals become sound pressure
/// by its sensitivity, and by the distance as in a furnished room, 3 dB a doubling beyond 1 m
/// (common practice, no source; outdoors it is 6).
///
/// Hum is held against the threshold of hearing for pure tones in quiet (ISO 226:2003, table 1,
/// from memory), hiss against 15 and 0 dB(A) in a quiet room (common practice, no source).

/// True where loudspeaker and distance were entered.
bool rb_listener_known(const rb_bench *bench);

/// dB SPL (A-weighted where the volts are) at the listener.
double rb_listener_spl_db(const rb_bench *bench, double level_vrms);

/// Threshold of hearing, dB SPL; log-interpolated, 20 Hz … 12.5 kHz, the ends beyond.
double rb_hearing_threshold_db(double frequency_hz);

/// What of a swap from `a_vrms` to `b_vrms` of the reading `key` ("noise_a", "hum_1x" … "hum_10x")
/// reaches the listener. Plausible: the louder side is over the limit and the two differ by 0.5 dB
/// or more; unlikely: it is 10 dB under the threshold (hiss: under 0 dB), or they differ by less
/// than 0.2 dB. No guide for other keys.
rb_audible rb_listener_judge(const rb_bench *bench, const char *key, double a_vrms, double b_vrms);

/// Sets `audible` and `source` of the effects in silence that reach a listener, and adds a note
/// that says how loud the loudest of them is there. Nothing where the bench knows no listener.
RB_NODISCARD rb_status rb_listener_effects(const rb_bench *bench, rb_comparison *comparison,
                                           rb_arena *arena);

#endif
