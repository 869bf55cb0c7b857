// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/file.h"
#include "rollbook/rig/rig.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

// A recording made elsewhere: it was played to the amplifier by something else, and an exchange
// gives back what was recorded.

typedef struct recording {
  rb_arena *arena;
  rb_capture capture;
} recording;

static void close_recording(void *self)
{
  recording *me = self;
  rb_arena_free(me->arena);
  free(me);
}

static rb_file_channels channels_of(const rb_rig_want *want, unsigned n_channels)
{
  // A mono file has only what it has; the bench's channels are those of its card.
  if (n_channels == 1)
    return (rb_file_channels){0};
  return (rb_file_channels){want->input_channels[0], want->input_channels[1]};
}

static rb_status load(const char *path, const rb_rig_want *want, recording *me, rb_file_info *info,
                      rb_err *err)
{
  rb_arena_mark mark = rb_arena_save(me->arena);
  RB_TRY(rb_file_load(path, (rb_file_channels){0}, me->arena, &me->capture, info, err));
  rb_file_channels channels = channels_of(want, info->n_channels);
  if (channels.left > 1 || channels.right > 2 || (channels.left && channels.right == 1)) {
    rb_arena_rewind(me->arena, mark);
    RB_TRY(rb_file_load(path, channels, me->arena, &me->capture, info, err));
  }
  if (fabs(me->capture.rate_hz - want->rate_hz) > 0.5)
    return rb_fail(err, RB_UNSUPPORTED,
                   "'%s' was recorded at %g Hz and the bench is set to %g Hz. Set the bench's rate "
                   "to the recording's.",
                   path, me->capture.rate_hz, want->rate_hz);
  return RB_OK;
}

static rb_status open_recording(const char *rest, const rb_rig_want *want, void **self,
                                rb_rig_caps *granted, rb_err *err)
{
  if (!*rest)
    return rb_fail(err, RB_BAD_ARG, "file: needs the path of a recording behind it.");
  recording *me = calloc(1, sizeof *me);
  if (me)
    me->arena = rb_arena_new(0);
  if (!me || !me->arena) {
    free(me);
    return rb_fail(err, RB_NO_MEM, "Out of memory while opening '%s'.", rest);
  }
  rb_file_info info;
  rb_status status = load(rest, want, me, &info, err);
  if (status != RB_OK) {
    close_recording(me);
    return status;
  }
  *granted = (rb_rig_caps){.rate_hz = me->capture.rate_hz,
                           .plays = false,
                           .input_bits = info.width_bits,
                           .recorded_frames = me->capture.n_frames};
  const char *name = strrchr(rest, '/');
  snprintf(granted->title, sizeof granted->title, "recording %.60s (%s)", name ? name + 1 : rest,
           info.format);
  *self = me;
  return RB_OK;
}

static rb_status exchange_recording(void *self, const rb_exchange *exchange, rb_capture *capture,
                                    rb_err *err)
{
  const recording *me = self;
  if (rb_cancel_requested(exchange->cancel))
    return rb_fail(err, RB_CANCELLED, "Cancelled.");
  size_t n_frames =
      exchange->n_frames < me->capture.n_frames ? exchange->n_frames : me->capture.n_frames;
  unsigned right = me->capture.n_channels - 1; // a mono recording is heard on both
  for (size_t i = 0; i < n_frames; i++) {
    const float *frame = me->capture.frames + i * me->capture.n_channels;
    capture->frames[2 * i] = frame[0];
    capture->frames[2 * i + 1] = frame[right];
  }
  capture->n_frames = n_frames;
  double duration_s = (double)n_frames / me->capture.rate_hz;
  rb_progress_tell(&exchange->progress, duration_s, duration_s);
  return RB_OK;
}

const rb_rig_ops rb_rig_file = {
    .scheme = "file",
    .summary = "A recording made elsewhere: file:PATH (WAV, FLAC, AIFF).",
    .open = open_recording,
    .exchange = exchange_recording,
    .close = close_recording,
};
