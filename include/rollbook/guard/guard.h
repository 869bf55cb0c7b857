// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_GUARD_GUARD_H
#define ROLLBOOK_GUARD_GUARD_H

#include "rollbook/rig/rig.h"
#include "rollbook/stimulus/samples.h"

/// The only way to a rig: limits, ramps, markers, retries, level finding. Nothing else opens one.
typedef struct rb_guard rb_guard;

/// What the guard found out about one exchange, beside the capture itself.
typedef struct rb_guard_report {
  rb_located located;
  unsigned attempts; ///< 1 where the first went through.
} rb_guard_report;

/// Opens the bench's rig for a line-up. RB_DEVICE, RB_NOT_FOUND with the devices there are.
RB_NODISCARD rb_status rb_guard_open(const rb_bench *bench, const rb_lineup *lineup,
                                     uint64_t sitting_seed, rb_guard **guard, rb_err *err);
void rb_guard_close(rb_guard *guard); ///< NULL is allowed.

/// As the rig granted it.
const rb_rig_caps *rb_guard_caps(const rb_guard *guard);
double rb_guard_since_power_on_s(rb_guard *guard); ///< Negative where only the user knows.
double rb_guard_meter_vrms(rb_guard *guard, unsigned channel); ///< Negative where the rig has none.
RB_NODISCARD rb_status rb_guard_wait(rb_guard *guard, double duration_s, const rb_cancel *cancel,
                                     rb_err *err);

/// Plays `stimulus` with peaks `peak[2]` (linear, full scale 1) and returns in `capture` the frames
/// of the stimulus alone, cut out by the markers, plus `tail_s` of what follows. Frames live in
/// `arena`.
///
/// Refuses (RB_UNSAFE) a peak over the bench's ceiling before any sound. A capture with lost frames
/// is taken again, at most three times, then RB_LOST_FRAMES. RB_CLIPPED, RB_CANCELLED, RB_DEVICE as
/// the rig says; the sound is silent when this returns.
RB_NODISCARD rb_status rb_guard_exchange(rb_guard *guard, const rb_stimulus *stimulus,
                                         const double peak[2], double tail_s,
                                         const rb_cancel *cancel, const rb_progress *progress,
                                         rb_arena *arena, rb_capture *capture,
                                         rb_guard_report *report, rb_err *err);

/// Finds the drive (dBFS peak of a sine, each channel) at which the load gets `power_w`: starts at
/// least 40 dB below, rises by what it measures, never over the ceiling. Needs a calibrated bench;
/// on one that is not, RB_NOT_CALIBRATED.
RB_NODISCARD rb_status rb_guard_find_level(rb_guard *guard, double frequency_hz, double power_w,
                                           rb_channel drive, const rb_cancel *cancel,
                                           rb_arena *arena, double drive_dbfs[2], rb_err *err);

#endif
