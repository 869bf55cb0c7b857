// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_IMPULSES_H
#define ROLLBOOK_DSP_IMPULSES_H

#include "rollbook/base/arena.h"
#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <stdbool.h>
#include <stddef.h>

// unitless: step

/// Crackle, pops and burst noise on a silent channel.

/// One crackle or pop.
typedef struct rb_pop {
  double time_s;  ///< Of its peak.
  double peak;    ///< Signed, samples' unit, the mains comb taken off.
  double over_db; ///< Peak over the rms noise around it.
} rb_pop;

/// What was found.
typedef struct rb_impulses {
  rb_pop *pops; ///< In order of time; lives in the arena.
  size_t n_pops;
  double duration_s;
  double rate_per_min;
  double largest_peak; ///< 0 without pops.
} rb_impulses;

/// Finds impulses in `n` samples. The mains comb is taken off second by second, so hum does not
/// hide them; the local noise is the scaled median of magnitudes (robust: a pop does not raise its
/// own threshold). Averages over 0.1 to 6 ms are compared with what noise of the local spectrum
/// would give, at a threshold that Gaussian noise passes less than once in ten minutes (rule of
/// thumb of this program, checked by simulation). Hits nearer than 20 ms are one pop.
RB_NODISCARD rb_status rb_impulses_find(const double *samples, size_t n, double rate_hz,
                                        rb_arena *arena, rb_impulses *impulses);

/// Burst noise ("popcorn"): a level that jumps between two values at random times.
typedef struct rb_burst_noise {
  bool found;
  double step;        ///< Distance of the two levels, samples' unit.
  double jumps_per_s; ///<
  double high_share;  ///< Share of time on the upper level.
} rb_burst_noise;

/// Looks for two levels in the samples below some 100 Hz, comb taken off; they count as found where
/// a two-level description beats a one-level one clearly (difference of the Bayesian information
/// criterion, G. Schwarz, Ann. Statist. 6(2), 1978) and the levels stand apart. AC coupling
/// shortens the plateaus: levels held much longer than the lowest time constant are not seen.
RB_NODISCARD rb_status rb_burst_noise_find(const double *samples, size_t n, double rate_hz,
                                           rb_arena *arena, rb_burst_noise *burst);

#endif
