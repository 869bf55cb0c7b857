// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/loudness.h"

#include <ebur128.h>
#include <math.h>

static const int FIVE_CHANNELS[] = {EBUR128_LEFT, EBUR128_RIGHT, EBUR128_CENTER,
                                    EBUR128_LEFT_SURROUND, EBUR128_RIGHT_SURROUND};

static void name_channels(ebur128_state *state, unsigned n_channels)
{
  if (n_channels != 5)
    return;
  for (unsigned channel = 0; channel < n_channels; channel++)
    ebur128_set_channel(state, channel, FIVE_CHANNELS[channel]);
}

rb_status rb_loudness_lufs(const float *frames, size_t n_frames, unsigned n_channels,
                           double rate_hz, double *loudness_lufs)
{
  if ((n_channels != 1 && n_channels != 2 && n_channels != 5) || !(rate_hz >= 8000) ||
      rate_hz > 400000)
    return RB_BAD_ARG;
  ebur128_state *state = ebur128_init(n_channels, (unsigned long)lround(rate_hz), EBUR128_MODE_I);
  if (state == NULL)
    return RB_NO_MEM;
  name_channels(state, n_channels);
  double loudness = -INFINITY;
  const int failed = ebur128_add_frames_float(state, frames, n_frames) != EBUR128_SUCCESS ||
                     ebur128_loudness_global(state, &loudness) != EBUR128_SUCCESS;
  ebur128_destroy(&state);
  if (failed)
    return RB_NO_MEM;
  if (!isfinite(loudness))
    return RB_NO_SIGNAL;
  *loudness_lufs = loudness;
  return RB_OK;
}
