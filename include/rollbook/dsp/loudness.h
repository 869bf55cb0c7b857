// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_LOUDNESS_H
#define ROLLBOOK_DSP_LOUDNESS_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// Integrated loudness of interleaved frames in LUFS: ITU-R BS.1770, gated as EBU R 128 says
/// (libebur128, its own memory). `n_channels` 1, 2 or 5 (left, right, centre, left and right
/// surround). A tone of 997 Hz at 0 dBFS in one channel of two reads −3.01.
/// RB_NO_SIGNAL where all of it lies under the gate; RB_BAD_ARG, RB_NO_MEM.
RB_NODISCARD rb_status rb_loudness_lufs(const float *frames, size_t n_frames, unsigned n_channels,
                                        double rate_hz, double *loudness_lufs);

#endif
