// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RIG_CARD_H
#define ROLLBOOK_RIG_CARD_H

#include <stdbool.h>

/// The sound card (`card:`) runs in a process of its own, because every call of a sound system can
/// hang for good or abort. That process is this same program started again with one hidden
/// argument. Every program that opens `card:` must look for it before anything else in main:
///
///     if (rb_card_worker_asked(argc, argv))
///       return rb_card_worker_run();
///
/// URIs: `card:` (the sound system's default), `card:NAME` (exact, or part of one device's name),
/// `card:3` (number), or settings apart by `;`: `card:api=JACK;name=loopback`. Settings:
///
/// | setting | |
/// |---|---|
/// | name | device for both directions |
/// | in, out | device for one direction |
/// | api | host API, or part of its name: ALSA, JACK, OSS |
/// | frames | frames per buffer, 16 to 16384 |
/// | latency_ms | asked of the device at first, 1 to 2000; doubled up to 250 where frames are lost
/// | | paced | `no`: the device may run faster than real time (a file, for tests) |

/// A wish to stop is seen with the next buffer (21 ms) and fades the sound in 20 ms; what the
/// device has buffered by then (its latency, about 0.1 s) is heard before the fade.

/// True when this process was started as a worker.
bool rb_card_worker_asked(int argc, char **argv);

/// Serves the parent until it closes; returns the exit code.
int rb_card_worker_run(void);

#endif
