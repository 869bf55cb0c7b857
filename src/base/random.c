// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/random.h"

#include <math.h>

static uint64_t splitmix(uint64_t *state)
{
  uint64_t z = (*state += 0x9E3779B97F4A7C15u);
  z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
  z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
  return z ^ (z >> 31);
}

rb_random rb_random_seeded(uint64_t seed)
{
  rb_random random = {.has_spare = 0};
  for (int i = 0; i < 4; i++)
    random.state[i] = splitmix(&seed);
  return random;
}

static uint64_t rotate_left(uint64_t x, int k)
{
  return (x << k) | (x >> (64 - k));
}

uint64_t rb_random_bits(rb_random *random)
{
  uint64_t *s = random->state;
  const uint64_t result = rotate_left(s[1] * 5, 7) * 9;
  const uint64_t t = s[1] << 17;
  s[2] ^= s[0];
  s[3] ^= s[1];
  s[1] ^= s[2];
  s[0] ^= s[3];
  s[2] ^= t;
  s[3] = rotate_left(s[3], 45);
  return result;
}

double rb_random_uniform(rb_random *random)
{
  return (double)(rb_random_bits(random) >> 11) * 0x1.0p-53;
}

uint64_t rb_random_below(rb_random *random, uint64_t n)
{
  const uint64_t unfair = (UINT64_MAX - n + 1) % n; // 2^64 mod n lowest values are thrown away
  uint64_t bits;
  do
    bits = rb_random_bits(random);
  while (bits < unfair);
  return bits % n;
}

double rb_random_normal(rb_random *random)
{
  if (random->has_spare) {
    random->has_spare = 0;
    return random->spare;
  }
  // Marsaglia's polar method (Marsaglia & Bray, SIAM Review 6(3), 1964).
  double u, v, s;
  do {
    u = 2.0 * rb_random_uniform(random) - 1.0;
    v = 2.0 * rb_random_uniform(random) - 1.0;
    s = u * u + v * v;
  } while (s >= 1.0 || s == 0.0);
  const double scale = sqrt(-2.0 * log(s) / s);
  random->spare = v * scale;
  random->has_spare = 1;
  return u * scale;
}
