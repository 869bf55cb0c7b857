// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_CAPTURE_FILE_H
#define ROLLBOOK_SRC_BOOK_CAPTURE_FILE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/capture.h"

#include <stdint.h>

/// True when every sample is exactly a 24-bit value, so that FLAC holds it without loss.
bool capture_file_fits_flac(const rb_capture *capture);

/// Writes `path` (24-bit FLAC or float WAV), flushes it to the disk, reads it back and compares.
/// RB_STORAGE where the disk is full or gave back something else.
RB_NODISCARD rb_status capture_file_write(const char *path, const rb_capture *capture, bool as_flac,
                                          rb_err *err);

/// Reads the frames into `arena`; capture->n_frames, n_channels must match what is in the file.
/// RB_STORAGE where the file is missing, truncated or not audio.
RB_NODISCARD rb_status capture_file_read(const char *path, rb_arena *arena, rb_capture *capture,
                                         rb_err *err);

#endif
