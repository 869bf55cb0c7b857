// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_IMPULSES_H
#define ROLLBOOK_DSP_IMPULSES_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

// unitless: step, peak, samples

/// Crackle, pops and burst noise on a silent channel, taken in pieces like the noise meter
/// (rollbook/dsp/noise.h): new, add …, read.
///
/// The mains comb is taken off in overlapping half seconds, so hum does not hide an impulse. Means
/// over 1, 4, 16, 64 and 256 samples are compared with their own local spread, the scaled median of
/// their magnitudes, which an impulse cannot raise. The threshold of 5.7 spreads is passed by
/// Gaussian noise about once in ten minutes (normal distribution, checked by simulation). An
/// impulse of τ = 0.2 ms or longer whose peak stands 12 dB over the local noise is found
/// practically always; a single sample must stand 16 dB over it. Hits nearer than 20 ms are one.

/// One crackle or pop.
typedef struct rb_pop {
  double time_s;  ///< Of its peak, from the first sample.
  double peak;    ///< Signed, samples' unit, the mains comb taken off.
  double over_db; ///< Peak over the rms noise around it.
} rb_pop;

enum { RB_POPS_KEPT = 4096 };

/// Burst noise ("popcorn"): a level that jumps between two values at random times. Seen as steps
/// of like size that alternate in sign, which AC coupling leaves in place while it bends the
/// levels. A level held for less than 15 ms counts as crackle, not as burst noise.
typedef struct rb_burst_noise {
  bool found;         ///< Six steps or more, five in six alternating, of like size.
  double step;        ///< Median size, samples' unit.
  size_t n_steps;     ///<
  double jumps_per_s; ///<
} rb_burst_noise;

/// What was found.
typedef struct rb_impulses {
  const rb_pop *pops; ///< In order of time, at most RB_POPS_KEPT; lives in the meter's arena.
  size_t n_pops;      ///< All that were counted.
  double duration_s;  ///< Time searched; a quarter of a second at each end is not.
  double rate_per_min;
  double largest_peak; ///< Size of the largest; 0 without pops.
  rb_burst_noise burst;
} rb_impulses;

typedef struct rb_impulse_meter rb_impulse_meter;

/// A meter for samples at `rate_hz`; `mains_hz` as in rb_noise_meter_new(). Some 13 MB of `arena`
/// at 48 kHz. RB_BAD_ARG, RB_NO_MEM.
RB_NODISCARD rb_status rb_impulse_meter_new(double rate_hz, double mains_hz, rb_arena *arena,
                                            rb_impulse_meter **meter);

/// Takes in the next `n` samples.
RB_NODISCARD rb_status rb_impulse_meter_add(rb_impulse_meter *meter, const double *samples,
                                            size_t n);

/// What was found in all of it; the meter is done then. RB_NO_SIGNAL where less than
/// 0.75 s went in.
RB_NODISCARD rb_status rb_impulse_meter_read(rb_impulse_meter *meter, rb_impulses *impulses);

#endif
