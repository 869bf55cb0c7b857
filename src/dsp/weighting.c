// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/weighting.h"

#include "rollbook/base/attributes.h"

#include <math.h>

/// Poles of A and C, Hz, by the construction of IEC 61672-1:2002, 5.4.6 to 5.4.11 (f_r = 1000,
/// f_L = 10^1.5, f_H = 10^3.9, f_A = 10^2.45, D² = ½).
static const double POLE_1_HZ = 20.598997057568, POLE_2_HZ = 107.652648643046,
                    POLE_3_HZ = 737.862230736290, POLE_4_HZ = 12194.217147998;

static double unity(double freq_hz)
{
  (void)freq_hz;
  return 1;
}

static double c_shape(double freq_hz)
{
  const double f2 = freq_hz * freq_hz, p4 = POLE_4_HZ * POLE_4_HZ;
  return p4 * f2 / ((f2 + POLE_1_HZ * POLE_1_HZ) * (f2 + p4));
}

static double a_shape(double freq_hz)
{
  const double f2 = freq_hz * freq_hz;
  return c_shape(freq_hz) * f2 /
         (sqrt(f2 + POLE_2_HZ * POLE_2_HZ) * sqrt(f2 + POLE_3_HZ * POLE_3_HZ));
}

/// Rational form of the network in ITU-R BS.468-4, figure 1a (coefficients as in many public
/// copies; checked against the Recommendation's table 1).
static double bs468_shape(double freq_hz)
{
  const double f = freq_hz, f2 = f * f;
  const double h1 =
      ((-4.737338981378384e-24 * f2 + 2.043828333606125e-15) * f2 - 1.363894795463638e-7) * f2 + 1;
  const double h2 =
      ((1.306612257412824e-19 * f2 - 2.118150887518656e-11) * f2 + 5.559488023498642e-4) * f;
  return 1.246332637532143e-4 * f / hypot(h1, h2);
}

static double (*const SHAPES[RB_WEIGHTING_COUNT])(double) = {
    [RB_WEIGHTING_NONE] = unity,
    [RB_WEIGHTING_A] = a_shape,
    [RB_WEIGHTING_C] = c_shape,
    [RB_WEIGHTING_468] = bs468_shape,
};

double rb_weighting_gain(rb_weighting weighting, double freq_hz)
{
  return SHAPES[weighting](freq_hz) / SHAPES[weighting](1000);
}

double rb_weighting_468_shift_2k(void)
{
  return 1 / rb_weighting_gain(RB_WEIGHTING_468, 2000);
}

/// R10 preferred numbers, as bands are called.
static const double NOMINAL_HZ[RB_THIRD_OCTAVES] = {
    20,  25,   31.5, 40,   50,   63,   80,   100,  125,  160,  200,  250,   315,   400,   500,  630,
    800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000};

rb_third_octave rb_third_octave_band(size_t index)
{
  const double mid_hz = 1000 * pow(10, ((double)index - 17) / 10);
  return (rb_third_octave){.nominal_hz = NOMINAL_HZ[index],
                           .mid_hz = mid_hz,
                           .low_hz = mid_hz * pow(10, -0.05),
                           .high_hz = mid_hz * pow(10, 0.05)};
}
