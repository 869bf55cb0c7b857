// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_RESAMPLE_H
#define ROLLBOOK_DSP_RESAMPLE_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// Most samples rb_resample() can give for `n` samples and `ratio`.
size_t rb_resample_size(size_t n, double ratio);

/// Resamples `in` by `ratio` = new rate over old (0.1 … 10), best quality of libsamplerate (its own
/// memory; single precision inside: noise near −145 dB). A capture with clock offset δ (sample k
/// played at k·(1+δ)/rate) comes back to the player's clock with ratio 1 + δ. `out` has
/// rb_resample_size() places; `*n_out` of them are filled. RB_BAD_ARG, RB_NO_MEM.
RB_NODISCARD rb_status rb_resample(const float *in, size_t n, double ratio, float *out,
                                   size_t *n_out);

#endif
