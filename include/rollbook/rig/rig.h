// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RIG_RIG_H
#define ROLLBOOK_RIG_RIG_H

#include "rollbook/base/arena.h"
#include "rollbook/base/cancel.h"
#include "rollbook/base/error.h"
#include "rollbook/base/progress.h"
#include "rollbook/model/amplifier.h"
#include "rollbook/model/bench.h"
#include "rollbook/model/capture.h"

/// Whatever plays and captures. Chosen by URI: "card:NAME", "sim:seed=7", "file:take.wav"; each
/// kind is one file `src/rig/rig_<scheme>.c` and one row in `src/rig/rigs.def`.
///
/// Only the guard calls these; nothing else in the program can make a sound.
typedef struct rb_rig rb_rig;

/// What the caller asks of a rig.
typedef struct rb_rig_want {
  double rate_hz;
  unsigned output_channels[2]; ///< From 1; the card channels that play left and right.
  unsigned input_channels[2];  ///< From 1; the card channels that hear left and right.
  const rb_lineup *lineup;     ///< What is fitted; only the simulated rig looks. NULL: new tubes.
  double load_ohm;             ///< For the simulated rig.
  uint64_t sitting_seed;       ///< For the simulated rig: draws of this reseating and its noise.
} rb_rig_want;

/// What it got.
typedef struct rb_rig_caps {
  char title[128];        ///< For the user: "simulated amplifier", "default (ALSA)".
  double rate_hz;         ///< As granted.
  bool paced;             ///< Takes as long as the signal lasts (a card); false: as fast as it can.
  bool plays;             ///< False for recorded files.
  double input_bits;      ///< Width of the converter or file, 0 where not known.
  size_t recorded_frames; ///< Length of a recording, 0 for rigs that play.
  char note[192]; ///< What the user should know about this path ("may be resampled"), or empty.
} rb_rig_caps;

/// One exchange: `play` goes out while as many frames come in.
typedef struct rb_exchange {
  /// n_frames × 2, left and right; peaks checked by the guard. NULL for a rig that does not play.
  const float *play;
  size_t n_frames;
  size_t ramp_frames; ///< Length of the fade when stopped early.
  float clip_level;   ///< Input magnitude that counts as clipping (about 1).
  double stall_s;     ///< No progress for this long is RB_DEVICE.
  bool fresh; ///< The last one lost frames: a rig that keeps its path running starts it anew.
  const rb_cancel *cancel; ///< May be NULL.
  rb_progress progress;    ///<
} rb_exchange;

/// A rig's own functions. The front end (rig.c) has checked that pointers are there, n_frames > 0
/// and the rate is positive; the rig must check what it alone can know (a device's name, a rate the
/// card refuses, the text behind the scheme).
typedef struct rb_rig_ops {
  const char *scheme;  ///< "card".
  const char *summary; ///< One line for `bench devices`.

  /// Names what could be opened, one call each: URI, what it is. May be NULL.
  rb_status (*scan)(void (*visit)(void *payload, const char *uri, const char *description),
                    void *payload, rb_err *err);

  rb_status (*open)(const char *rest, const rb_rig_want *want, void **self, rb_rig_caps *granted,
                    rb_err *err);

  /// Plays all of it while capturing as many frames, then returns. `capture->frames` has room for
  /// n_frames × 2 and is filled from the start; a recording that is shorter lowers
  /// `capture->n_frames`. On an error the content is not defined. When
  /// cancelled, or when the input clips, the play side fades to silence within `ramp_frames` and
  /// the call returns RB_CANCELLED or RB_CLIPPED. Never blocks longer than `stall_s` without
  /// progress.
  rb_status (*exchange)(void *self, const rb_exchange *exchange, rb_capture *capture, rb_err *err);

  /// Lets time pass with the amplifier on: sleeps on a card, is quick on the simulated rig.
  rb_status (*wait)(void *self, double duration_s, const rb_cancel *cancel, rb_err *err);

  /// Seconds since the amplifier was switched on, where the rig itself knows (simulated); NULL
  /// where only the user does.
  double (*since_power_on_s)(void *self);

  /// What a voltmeter across the load of `channel` (0 left, 1 right) showed in the steady part of
  /// the last exchange, volts rms. Only the simulated rig has one; NULL elsewhere, where the user
  /// reads his own.
  double (*meter_vrms)(void *self, unsigned channel);

  /// Has somebody knock lightly, once a second from half a second on, in the next exchange: on the
  /// tube in `socket`, or on the chassis where that is NULL. Only the simulated rig can; NULL
  /// elsewhere, where the user knocks.
  rb_status (*tap)(void *self, const char *socket, rb_err *err);

  void (*close)(void *self);
} rb_rig_ops;

RB_NODISCARD rb_status rb_rig_open(const char *uri, const rb_rig_want *want, rb_rig **rig,
                                   rb_err *err);

/// The same for a kind of rig that has no row in rigs.def: a test double.
RB_NODISCARD rb_status rb_rig_open_kind(const rb_rig_ops *ops, const char *rest,
                                        const rb_rig_want *want, rb_rig **rig, rb_err *err);
void rb_rig_close(rb_rig *rig); ///< NULL is allowed.
const rb_rig_caps *rb_rig_granted(const rb_rig *rig);

RB_NODISCARD rb_status rb_rig_exchange(rb_rig *rig, const rb_exchange *exchange,
                                       rb_capture *capture, rb_err *err);
RB_NODISCARD rb_status rb_rig_wait(rb_rig *rig, double duration_s, const rb_cancel *cancel,
                                   rb_err *err);
/// Negative where the rig does not know.
double rb_rig_since_power_on_s(rb_rig *rig);

/// Negative where the rig has no meter.
double rb_rig_meter_vrms(rb_rig *rig, unsigned channel);

/// As the `tap` operation; RB_UNSUPPORTED where only the user can knock.
RB_NODISCARD rb_status rb_rig_tap(rb_rig *rig, const char *socket, rb_err *err);

/// All kinds of rig, each one's devices: for `bench devices`. A kind that fails does not hide the
/// others; the first error is returned at the end.
RB_NODISCARD rb_status rb_rig_scan(void (*visit)(void *payload, const char *uri,
                                                 const char *description),
                                   void *payload, rb_err *err);

#endif
