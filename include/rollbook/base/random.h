// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_RANDOM_H
#define ROLLBOOK_BASE_RANDOM_H

#include <stdint.h>

/// Seeded random numbers, the same on every machine. xoshiro256** with splitmix64 seeding
/// (Blackman & Vigna, ACM Trans. Math. Software 47(4), 2021). Not for secrets.
// unitless: spare
typedef struct rb_random {
  uint64_t state[4];
  double spare;
  int has_spare;
} rb_random;

rb_random rb_random_seeded(uint64_t seed);
uint64_t rb_random_bits(rb_random *random);
double rb_random_uniform(rb_random *random);             ///< 0 ≤ u < 1, 53 bits.
uint64_t rb_random_below(rb_random *random, uint64_t n); ///< 0 … n−1, without bias; n > 0.
double rb_random_normal(rb_random *random);              ///< Mean 0, variance 1.

#endif
