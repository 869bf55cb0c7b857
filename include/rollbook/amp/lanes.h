// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_AMP_LANES_H
#define ROLLBOOK_AMP_LANES_H

#include <stdint.h>

// How vectors are passed depends on the processor; here nothing passes one, all is inlined.
#pragma GCC diagnostic ignored "-Wpsabi"

/// Elementary functions on four doubles side by side, for the tubes of the solver. Relative error
/// below 4e-16 in the ranges stated (tests/amp/test_lanes.c compares with the C library). Built
/// from +, −, ×, ÷ and √ alone, so every processor gives the same bits.

#if defined(__GNUC__) && defined(__x86_64__) && !defined(__clang__) &&                             \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
/// Compiled twice, with and without AVX2; the processor chooses at start. The results are the same.
#define RB_HOT __attribute__((target_clones("avx2", "default")))
#else
#define RB_HOT
#endif

#define RB_LANE_INLINE static inline __attribute__((always_inline))

typedef double rb_lane __attribute__((vector_size(32)));
typedef int64_t rb_lane_bits __attribute__((vector_size(32)));
typedef uint64_t rb_lane_word __attribute__((vector_size(32)));

RB_LANE_INLINE rb_lane rb_lane_all(double x)
{
  return (rb_lane){x, x, x, x};
}

/// a where `mask` is set, else b.
RB_LANE_INLINE rb_lane rb_lane_choose(rb_lane_bits mask, rb_lane a, rb_lane b)
{
  return (rb_lane)((mask & (rb_lane_bits)a) | (~mask & (rb_lane_bits)b));
}

RB_LANE_INLINE rb_lane rb_lane_most(rb_lane a, rb_lane b)
{
  return rb_lane_choose(a > b, a, b);
}

RB_LANE_INLINE rb_lane rb_lane_abs(rb_lane a)
{
  return (rb_lane)((rb_lane_bits)a & INT64_MAX);
}

RB_LANE_INLINE rb_lane rb_lane_sqrt(rb_lane a)
{
  return (rb_lane){__builtin_sqrt(a[0]), __builtin_sqrt(a[1]), __builtin_sqrt(a[2]),
                   __builtin_sqrt(a[3])};
}

/// e^x for |x| ≤ 700. Reduction by ln 2 in two parts (Cody & Waite, Software Manual for the
/// Elementary Functions, 1980); polynomial fitted here on |r| ≤ ½ ln 2, error 3e-17.
RB_LANE_INLINE rb_lane rb_lane_exp(rb_lane x)
{
  const double shift = 0x1.8p52;
  const rb_lane t = x * 1.4426950408889634 + shift;
  const rb_lane k = t - shift;
  const rb_lane r = (x - k * 0x1.62e42fefap-1) - k * 0x1.cf79abc9e3b3ap-40;
  const rb_lane r2 = r * r, r4 = r2 * r2;
  const rb_lane low = (0.50000000000000133 + r * 0.16666666666668439) +
                      r2 * (0.041666666666561304 + r * 0.0083333333322169467);
  const rb_lane high = (0.0013888888929758151 + r * 0.00019841272272604093) +
                       r2 * (2.4801509147243817e-05 + r * 2.7555085098536389e-06);
  const rb_lane top = 2.7624600411936294e-07 + r * 2.5806377953865729e-08;
  const rb_lane p = 1 + (r + r2 * (low + r4 * (high + r4 * top)));
  return (rb_lane)((rb_lane_bits)p + ((rb_lane_bits)t << 52));
}

/// artanh(√y)/√y for 0 ≤ y ≤ 1/9; polynomial fitted here, error 9e-17.
RB_LANE_INLINE rb_lane rb_lane_artanh_series(rb_lane y)
{
  const rb_lane y2 = y * y, y4 = y2 * y2;
  const rb_lane low = 0.3333333333334127 + y * 0.19999999997649287 +
                      y2 * (0.14285714555256229 + y * 0.11111095459237033);
  const rb_lane high = 0.090914291128279492 + y * 0.076818507815899759 +
                       y2 * (0.067955348660239015 + y * 0.049409825088710592);
  return 1 + y * (low + y4 * (high + y4 * 0.088891692269813832));
}

/// ln x for normal x > 0.
RB_LANE_INLINE rb_lane rb_lane_log(rb_lane x)
{
  const int64_t root_half = 0x3fe6a09e667f3bcd, one = 0x3ff0000000000000;
  const rb_lane_bits bits = (rb_lane_bits)x;
  const rb_lane_bits biased = (rb_lane_bits)((rb_lane_word)(bits - root_half + one) >> 52);
  const rb_lane k = (rb_lane)(biased | 0x4330000000000000) - (0x1p52 + 1023);
  const rb_lane m = (rb_lane)(bits - ((biased - 1023) << 52));
  const rb_lane f = (m - 1) / (m + 1);
  return k * 0x1.62e42fefap-1 + (2 * f * rb_lane_artanh_series(f * f) + k * 0x1.cf79abc9e3b3ap-40);
}

/// ln(1 + z) for 0 ≤ z ≤ 1.
RB_LANE_INLINE rb_lane rb_lane_log1p(rb_lane z)
{
  const rb_lane f = z / (2 + z);
  return 2 * f * rb_lane_artanh_series(f * f);
}

/// arctan x for any x: folded to |x| ≤ 1, halved once; polynomial fitted here, error 7e-17.
RB_LANE_INLINE rb_lane rb_lane_atan(rb_lane x)
{
  const rb_lane size = rb_lane_abs(x);
  const rb_lane_bits steep = size > 1;
  const rb_lane folded = rb_lane_choose(steep, 1 / size, size);
  const rb_lane t = folded / (1 + rb_lane_sqrt(1 + folded * folded));
  const rb_lane y = t * t, y2 = y * y, y4 = y2 * y2;
  const rb_lane low = -0.33333333333328502 + y * 0.19999999998869794 +
                      y2 * (-0.1428571418223078 + y * 0.11111106232885073);
  const rb_lane high = -0.090907742999305652 + y * 0.076899705976718732 +
                       y2 * (-0.066403796900523671 + y * 0.056890925416634597);
  const rb_lane top = -0.043501350607648911 + y * 0.021160032977235402;
  const rb_lane half = t * (1 + y * (low + y4 * (high + y4 * top)));
  const rb_lane arc = rb_lane_choose(steep, 1.5707963267948966 - 2 * half, 2 * half);
  return rb_lane_choose(x < 0, -arc, arc);
}

#endif
