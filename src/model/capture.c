// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/capture.h"

void rb_capture_channel(const rb_capture *capture, unsigned channel, double *samples)
{
  const float *at = capture->frames + channel;
  for (size_t i = 0; i < capture->n_frames; i++, at += capture->n_channels)
    samples[i] = (double)*at;
}
