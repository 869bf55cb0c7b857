// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/units.h"
#include "sim_run.h"

#include <math.h>

// How fast the amplifier must be simulated for what is played: judged by frames of 20 ms, each
// through high-pass filters.

typedef struct high_pass {
  double b, a1, a2; ///< Second-order Butterworth, bilinear.
  double x1, x2, y1, y2;
} high_pass;

/// Three of these in a row let through a thousandth of the energy at `edge_hz`.
static high_pass high_pass_above(double edge_hz, double rate_hz)
{
  const double k = tan(RB_PI * fmin(edge_hz / rate_hz, 0.45)) / 0.6;
  const double norm = 1 / (1 + sqrt(2) * k + k * k);
  return (high_pass){
      .b = norm, .a1 = 2 * (k * k - 1) * norm, .a2 = (1 - sqrt(2) * k + k * k) * norm};
}

static double filter(high_pass *f, double x)
{
  const double y = f->b * (x - 2 * f->x1 + f->x2) - f->a1 * f->y1 - f->a2 * f->y2;
  f->x2 = f->x1, f->x1 = x;
  f->y2 = f->y1, f->y1 = y;
  return y;
}

typedef struct content {
  size_t bright, brilliant; ///< Frames with content above 5.5 kHz, above 12 kHz.
  double peak;
} content;

static void judge(const float *play, size_t n_frames, unsigned channel, double rate_hz,
                  content *found)
{
  high_pass five[3], twelve[3];
  for (unsigned i = 0; i < 3; i++) {
    five[i] = high_pass_above(5500, rate_hz);
    twelve[i] = high_pass_above(12000, rate_hz);
  }
  const size_t frame = (size_t)(rate_hz / 50);
  for (size_t start = 0; start < n_frames; start += frame) {
    double all = 0, above5 = 0, above12 = 0;
    for (size_t i = start; i < start + frame && i < n_frames; i++) {
      const double x = (double)play[2 * i + channel];
      double y = x, z = x;
      for (unsigned k = 0; k < 3; k++) {
        y = filter(&five[k], y);
        z = filter(&twelve[k], z);
      }
      all += x * x;
      above5 += y * y;
      above12 += z * z;
      found->peak = fmax(found->peak, fabs(x));
    }
    const bool loud = all > 1e-9 * (double)frame;
    found->bright += loud && above5 > 1e-3 * all;
    found->brilliant += loud && above12 > 1e-3 * all;
  }
}

/// Smallest whole number, a power of two, that brings the rate to `least_hz`.
static unsigned times(double rate_hz, double least_hz)
{
  unsigned over = 1;
  while (rate_hz * over < least_hz && over < 32)
    over *= 2;
  return over;
}

unsigned sim_oversampling(const sim_options *options, const float *play, size_t n_frames,
                          double rate_hz)
{
  if (options->internal_rate > 0)
    return times(rate_hz, options->internal_rate);
  content found = {0};
  for (unsigned channel = 0; channel < 2; channel++)
    judge(play, n_frames, channel, rate_hz, &found);
  const double input_vpeak = found.peak * options->dac_vpeak * options->pot;
  const double load_vpeak = 36.7 * input_vpeak; // the sound amplifier's gain
  const double power_w = load_vpeak * load_vpeak / 16;
  const bool bright = found.bright > 1; // one frame may be an edge
  const bool brilliant = found.brilliant > 1;
  if (power_w > 38 || brilliant)
    return times(rate_hz, 352000);
  if (power_w > 27 || bright)
    return times(rate_hz, 176000);
  return times(rate_hz, 88000);
}
