// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/file.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n_bytes);

static void must(bool holds)
{
  if (!holds)
    abort();
}

// A refusal has words; what is accepted is a capture of one or two channels of numbers.
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n_bytes)
{
  rb_arena *arena = rb_arena_new(64u << 20);
  rb_capture capture;
  rb_file_info info;
  rb_err err = {0};
  if (!arena)
    return 0;
  if (rb_file_load_bytes(bytes, n_bytes, "fuzz.wav", (rb_file_channels){0}, arena, &capture, &info,
                         &err) != RB_OK) {
    must(err.message[0]);
  } else {
    must(capture.n_frames > 0 && (capture.n_channels == 1 || capture.n_channels == 2));
    must(capture.rate_hz >= 1000 && capture.rate_hz <= 1000000);
    for (size_t i = 0; i < capture.n_frames * capture.n_channels; i++)
      must(isfinite(capture.frames[i]));
  }
  rb_arena_free(arena);
  return 0;
}
