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

/// A guard over a rig that is open already, which now belongs to it (also when this fails). For
/// test doubles.
RB_NODISCARD rb_status rb_guard_over(rb_rig *rig, const rb_bench *bench, rb_guard **guard,
                                     rb_err *err);
void rb_guard_close(rb_guard *guard); ///< NULL is allowed.

/// As the rig granted it.
const rb_rig_caps *rb_guard_caps(const rb_guard *guard);
double rb_guard_since_power_on_s(rb_guard *guard); ///< Negative where only the user knows.
double rb_guard_meter_vrms(rb_guard *guard, unsigned channel); ///< Negative where the rig has none.
/// As rb_rig_tap: simulated knocks in the next exchange.
RB_NODISCARD rb_status rb_guard_tap(rb_guard *guard, const char *socket, rb_err *err);
RB_NODISCARD rb_status rb_guard_wait(rb_guard *guard, double duration_s, const rb_cancel *cancel,
                                     rb_err *err);

/// Plays `stimulus` with peaks `peak[2]` (linear, full scale 1) and returns in `capture` the frames
/// of the stimulus alone, cut out by the markers, plus `tail_s` of what follows. Frames live in
/// `arena`. On a rig that does not play (a recording) the stimulus is looked for in the recording.
///
/// Refuses (RB_UNSAFE) before any sound: a peak over the bench's ceiling, and, once find_level has
/// learned the gain of the amplifier, one that would bring the load over `ceiling_w`. A capture
/// with lost frames is taken again, at most three times, then RB_LOST_FRAMES. RB_NO_SIGNAL where
/// nothing of what was played came back. RB_CLIPPED, RB_CANCELLED, RB_DEVICE as the rig says; the
/// sound is silent when this returns.
RB_NODISCARD rb_status rb_guard_exchange(rb_guard *guard, const rb_stimulus *stimulus,
                                         const double peak[2], double tail_s,
                                         const rb_cancel *cancel, const rb_progress *progress,
                                         rb_arena *arena, rb_capture *capture,
                                         rb_guard_report *report, rb_err *err);

/// Finds the drive (dBFS peak of a sine, each driven channel; the other is left as it is) at which
/// the load gets `power_w`, within 0.03 dB, by short bursts with rests. The first burst is 90 dB
/// below full scale; each next one rises by what came back of the last, at most 20 dB, aims below
/// the target until it is near, and is never over the ceiling. While nothing comes back it does not
/// rise over −40 dBFS: RB_NO_SIGNAL. RB_UNSAFE where `power_w` or the drive it needs is over the
/// bench's ceiling, or where the amplifier limits below it. RB_UNSUPPORTED on recordings.
/// Needs a calibrated bench; on one that is not, RB_NOT_CALIBRATED.
RB_NODISCARD rb_status rb_guard_find_level(rb_guard *guard, double frequency_hz, double power_w,
                                           rb_channel drive, const rb_cancel *cancel,
                                           rb_arena *arena, double drive_dbfs[2], rb_err *err);

/// Whether something between player and recorder converts the sample rate without saying so.
typedef struct rb_rate_check {
  bool resamples;
  double other_rate_hz; ///< At which the path runs in between; 0 where it does not resample.
  double image_db;      ///< The weaker tone's strongest image, re the tone as played; −400: none.
  double upper_loss_db; ///< How much weaker the upper tone came back than the lower one.
} rb_rate_check;

/// Plays two tones with peak `peak` one after the other, at 0.11 and 0.41 of the rate, and looks
/// for what a conversion from rate to another rate R and back leaves: images of a tone f at |f +
/// n·(rate − R)|, n = ±1 … ±4, folded, for each usual R; and nothing over R/2. Found means that
/// both tones show it for the same R, over −120 dB and 15 dB over the noise there.
///
/// For a direct loop from output to input, or through an amplifier at a low level. A conversion to
/// a higher rate of better quality than that is not seen.
RB_NODISCARD rb_status rb_guard_check_rate(rb_guard *guard, double peak, const rb_cancel *cancel,
                                           rb_arena *arena, rb_rate_check *found, rb_err *err);

#endif
