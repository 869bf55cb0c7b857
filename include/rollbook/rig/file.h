// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RIG_FILE_H
#define ROLLBOOK_RIG_FILE_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/capture.h"

/// Audio files: WAV, FLAC, AIFF and what else libsndfile reads, of any rate and width.

/// What a file said about itself.
typedef struct rb_file_info {
  unsigned n_channels; ///< In the file; a capture holds at most two of them.
  double width_bits;   ///< Of a sample: 16, 24, 32; 24 for float (its significand), 0 not known.
  char format[48];     ///< "WAV, signed 24 bit PCM".
} rb_file_info;

/// Which channels of the file become left and right, from 1. {0, 0}: the first two, or the only
/// one. {n, 0}: that one alone.
typedef struct rb_file_channels {
  unsigned left, right;
} rb_file_channels;

/// Reads a whole file into `capture`, whose frames live in `arena`. `info` may be NULL.
///
/// RB_NOT_FOUND or RB_IO where it cannot be opened; RB_FORMAT where it is no audio file, is empty,
/// cut short, promises more frames than it holds, has a rate outside 1 kHz … 1 MHz or a sample that
/// is NaN or infinite (the frame is named); RB_BAD_ARG for a channel it does not have; RB_NO_MEM
/// where it is longer than the arena's limit allows.
RB_NODISCARD rb_status rb_file_load(const char *path, rb_file_channels channels, rb_arena *arena,
                                    rb_capture *capture, rb_file_info *info, rb_err *err);

/// The same from memory; `name` stands in messages.
RB_NODISCARD rb_status rb_file_load_bytes(const void *bytes, size_t n_bytes, const char *name,
                                          rb_file_channels channels, rb_arena *arena,
                                          rb_capture *capture, rb_file_info *info, rb_err *err);

typedef enum rb_file_width { RB_FILE_PCM_24, RB_FILE_FLOAT_32 } rb_file_width;

/// Writes a WAV file: first under a temporary name beside it, then renamed, so that `path` holds
/// the whole file or what it held before. RB_IO when the disk is full or says no. Samples over full
/// scale are RB_BAD_ARG at 24 bit.
RB_NODISCARD rb_status rb_file_save(const char *path, const rb_capture *capture,
                                    rb_file_width width, rb_err *err);

#endif
