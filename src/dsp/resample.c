// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/resample.h"

#include <limits.h>
#include <math.h>
#include <samplerate.h>

static const double LOWEST_RATIO = 0.1, HIGHEST_RATIO = 10;

size_t rb_resample_size(size_t n, double ratio)
{
  return (size_t)ceil((double)n * ratio) + 1;
}

rb_status rb_resample(const float *in, size_t n, double ratio, float *out, size_t *n_out)
{
  *n_out = 0;
  const size_t size = rb_resample_size(n, ratio);
  if (!(ratio >= LOWEST_RATIO && ratio <= HIGHEST_RATIO) || n > LONG_MAX || size > LONG_MAX)
    return RB_BAD_ARG;
  SRC_DATA data = {.data_in = in,
                   .data_out = out,
                   .input_frames = (long)n,
                   .output_frames = (long)size,
                   .end_of_input = 1,
                   .src_ratio = ratio};
  if (src_simple(&data, SRC_SINC_BEST_QUALITY, 1) != 0)
    return RB_NO_MEM;
  *n_out = (size_t)data.output_frames_gen;
  return RB_OK;
}
