// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/window.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

// Coefficients and figures as published (sources in window.h). The figures of the Harris rows are
// from memory of his Table I. HFT169D is printed with a sidelobe its printed coefficients do not
// reach: rounding leaves an edge step, and they give −167.9 dB.
// clang-format off
static const rb_window table[RB_WINDOW_COUNT] = {
    [RB_WINDOW_RECTANGULAR] = {"rectangular", 1, {1.0}, 0, 1.00, -13, 3.92, 1},
    [RB_WINDOW_HANN] = {"hann", 2, {0.5, -0.5}, 0, 1.50, -32, 1.42, 2},
    [RB_WINDOW_HAMMING] = {"hamming", 2, {0.54, -0.46}, 0, 1.36, -43, 1.78, 2},
    [RB_WINDOW_BLACKMAN] = {"blackman", 3, {0.42, -0.5, 0.08}, 0, 1.73, -58, 1.10, 3},
    [RB_WINDOW_BLACKMAN_HARRIS_3] = {"blackman-harris-3", 3,
        {0.42323, -0.49755, 0.07922},
        0, 1.71, -67, 1.13, 3},
    [RB_WINDOW_BLACKMAN_HARRIS_4] = {"blackman-harris-4", 4,
        {0.35875, -0.48829, 0.14128, -0.01168},
        0, 2.00, -92, 0.83, 4},
    [RB_WINDOW_NUTTALL_4B] = {"nuttall-4b", 4,
        {0.355768, -0.487396, 0.144232, -0.012604},
        0, 0, 0, 0, 4},
    [RB_WINDOW_NUTTALL_4C] = {"nuttall-4c", 4,
        {0.3635819, -0.4891775, 0.1365995, -0.0106411},
        0, 0, 0, 0, 4},
    [RB_WINDOW_HFT70] = {"hft70", 4,
        {1.0, -1.90796, 1.07349, -0.18199},
        0, 3.4129, -70.4, 0.0065, 4},
    [RB_WINDOW_HFT90D] = {"hft90d", 5,
        {1.0, -1.942604, 1.340318, -0.440811, 0.043097},
        0, 3.8832, -90.2, 0.0039, 5},
    [RB_WINDOW_HFT95] = {"hft95", 5,
        {1.0, -1.9383379, 1.3045202, -0.402827, 0.0350665},
        0, 3.8112, -95.0, 0.0044, 5},
    [RB_WINDOW_HFT116D] = {"hft116d", 6,
        {1.0, -1.9575375, 1.4780705, -0.6367431, 0.1228389, -0.0066288},
        0, 4.2186, -116.8, 0.0028, 6},
    [RB_WINDOW_HFT144D] = {"hft144d", 7,
        {1.0, -1.96760033, 1.57983607, -0.81123644, 0.22583558, -0.02773848, 0.0009036},
        0, 4.5386, -144.1, 0.0021, 7},
    [RB_WINDOW_HFT169D] = {"hft169d", 8,
        {1.0, -1.97441842, 1.65409888, -0.95788186, 0.3367342, -0.06364621, 0.00521942,
         -0.00010599},
        0, 4.8347, -169.5, 0.0017, 8},
    [RB_WINDOW_HFT196D] = {"hft196d", 9,
        {1.0, -1.97928042, 1.710288951, -1.081629853, 0.448734314, -0.112376628, 0.015122992,
         -0.000871252, 1.1896e-5},
        0, 5.1134, -196.2, 0.0013, 9},
    [RB_WINDOW_HFT223D] = {"hft223d", 10,
        {1.0, -1.98298997309, 1.75556083063, -1.19037717712, 0.56155440797, -0.17296769663,
         0.03233247087, -0.00324954578, 0.0001380104, -1.32725e-6},
        0, 5.3888, -223.0, 0.0011, 10},
    [RB_WINDOW_HFT248D] = {"hft248d", 11,
        {1.0, -1.985844164102, 1.791176438506, -1.282075284005, 0.667777530266, -0.240160796576,
         0.056656381764, -0.008134974479, 0.00062454465, -1.9808998e-5, 1.32974e-7},
        0, 5.6512, -248.4, 0.0009, 11},
    [RB_WINDOW_ALBRECHT_7] = {"albrecht-7", 7,
        {0.27122036058504, -0.43344461232744, 0.21800412289293, -0.065785343295606,
         0.010761867305342, -0.00077001271058083, 1.3680883059929e-5},
        0, 0, 0, 0, 7},
    [RB_WINDOW_KAISER_20] = {"kaiser-20", 0, {0}, 20, 0, 0, 0, 6.44},
    [RB_WINDOW_KAISER_30] = {"kaiser-30", 0, {0}, 30, 0, 0, 0, 9.60},
};
// clang-format on

const rb_window *rb_window_get(rb_window_kind kind)
{
  return &table[kind];
}

const rb_window *rb_window_find(const char *name)
{
  for (size_t i = 0; i < RB_LEN(table); i++)
    if (strcmp(table[i].name, name) == 0)
      return &table[i];
  return NULL;
}

// Σ c_k·T_k(x) by Clenshaw's recurrence, x = cos of the angle.
static double cosine_sum(const double *scaled, size_t n_terms, double x)
{
  double next = 0, after = 0;
  for (size_t k = n_terms; k-- > 1;) {
    const double now = scaled[k] + 2 * x * next - after;
    after = next;
    next = now;
  }
  return scaled[0] + x * next - after;
}

enum { LANES = 64 };

// cos(2π(first + i)/n) for i < LANES, by the addition theorem from tables of the lane angles.
static void cosines_from(size_t first, size_t n, const double *lane_cos, const double *lane_sin,
                         double *cosines)
{
  const double angle = 2 * RB_PI * (double)first / (double)n;
  const double c = cos(angle), s = sin(angle);
  for (size_t i = 0; i < LANES; i++)
    cosines[i] = c * lane_cos[i] - s * lane_sin[i];
}

static void fill_cosine_sum(const rb_window *window, size_t n, double *weights)
{
  double scaled[RB_WINDOW_TERMS], lane_cos[LANES], lane_sin[LANES], cosines[LANES];
  for (size_t k = 0; k < window->n_terms; k++)
    scaled[k] = window->coefficients[k] / window->coefficients[0];
  for (size_t i = 0; i < LANES; i++) {
    lane_cos[i] = cos(2 * RB_PI * (double)i / (double)n);
    lane_sin[i] = sin(2 * RB_PI * (double)i / (double)n);
  }
  const size_t half = n / 2 + 1;
  for (size_t first = 0; first < half; first += LANES) {
    cosines_from(first, n, lane_cos, lane_sin, cosines);
    for (size_t i = 0; i < LANES; i++)
      cosines[i] = cosine_sum(scaled, window->n_terms, cosines[i]);
    const size_t count = half - first < LANES ? half - first : LANES;
    memcpy(weights + first, cosines, count * sizeof(double));
  }
  for (size_t j = half; j < n; j++)
    weights[j] = weights[n - j];
}

// Modified Bessel function of the first kind, order 0: Σ ((x/2)^k/k!)² (Abramowitz &
// Stegun 9.6.12).
static double bessel_i0(double x)
{
  double term = 1, sum = 1;
  for (int k = 1; term > 1e-18 * sum; k++) {
    term *= (x / (2 * k)) * (x / (2 * k));
    sum += term;
  }
  return sum;
}

static void fill_kaiser(double beta, size_t n, double *weights)
{
  double sum = 0;
  for (size_t j = 0; j < n; j++) {
    const double z = 2 * (double)j / (double)n - 1;
    weights[j] = bessel_i0(beta * sqrt(fmax(0, 1 - z * z)));
    sum += weights[j];
  }
  for (size_t j = 0; j < n; j++)
    weights[j] *= (double)n / sum;
}

void rb_window_fill(const rb_window *window, size_t n, double *weights)
{
  if (n < 2 * RB_WINDOW_TERMS) { // the terms alias: a plain mean would not be 1
    for (size_t j = 0; j < n; j++)
      weights[j] = 1;
  } else if (window->n_terms) {
    fill_cosine_sum(window, n, weights);
  } else {
    fill_kaiser(window->kaiser_beta, n, weights);
  }
}

static double kaiser_enbw_bins(double beta, size_t n)
{
  double sum = 0, squares = 0;
  for (size_t j = 0; j < n; j++) {
    const double z = 2 * (double)j / (double)n - 1;
    const double weight = bessel_i0(beta * sqrt(fmax(0, 1 - z * z)));
    sum += weight;
    squares += weight * weight;
  }
  return (double)n * squares / (sum * sum);
}

double rb_window_enbw_bins(const rb_window *window, size_t n)
{
  if (n < 2 * RB_WINDOW_TERMS)
    return 1;
  if (!window->n_terms)
    return kaiser_enbw_bins(window->kaiser_beta, n);
  double enbw_bins = 1;
  for (size_t k = 1; k < window->n_terms; k++) {
    const double ratio = window->coefficients[k] / window->coefficients[0];
    enbw_bins += ratio * ratio / 2;
  }
  return enbw_bins;
}

// (1/n)·Σ e^(−2πi·u·j/n): the rectangular window's response.
static double complex dirichlet(double u, double n)
{
  const double below = n * sin(RB_PI * u / n);
  const double size = fabs(below) < 1e-12 ? 1 : sin(RB_PI * u) / below;
  const double angle = -RB_PI * u * (n - 1) / n;
  return CMPLX(size * cos(angle), size * sin(angle));
}

// The sum over the terms, on a bin or so near one that sin(πd) keeps too few digits.
static double complex response_near_bin(const rb_window *window, double n, double offset_bins)
{
  double complex response = dirichlet(offset_bins, n);
  for (size_t k = 1; k < window->n_terms; k++) {
    const double share = window->coefficients[k] / window->coefficients[0] / 2;
    response +=
        share * (dirichlet(offset_bins - (double)k, n) + dirichlet(offset_bins + (double)k, n));
  }
  return response;
}

double complex rb_window_response(const rb_window *window, size_t n, double offset_bins)
{
  const double length = (double)n;
  if (fabs(offset_bins - round(offset_bins)) < 1e-4)
    return response_near_bin(window, length, offset_bins);
  // dirichlet(d ± k) = e^(−iπd(n−1)/n)·sin(πd)/n · e^(±iα)/sin(x ± α), x = πd/n, α = πk/n
  const double x = RB_PI * offset_bins / length, sin_x = sin(x), cos_x = cos(x);
  const double sin_step = sin(RB_PI / length), cos_step = cos(RB_PI / length);
  double sin_a = 0, cos_a = 1, re = 1 / sin_x, im = 0;
  for (size_t k = 1; k < window->n_terms; k++) {
    const double sin_next = sin_a * cos_step + cos_a * sin_step;
    cos_a = cos_a * cos_step - sin_a * sin_step;
    sin_a = sin_next;
    const double share = window->coefficients[k] / window->coefficients[0] / 2;
    const double plus = 1 / (sin_x * cos_a + cos_x * sin_a);
    const double minus = 1 / (sin_x * cos_a - cos_x * sin_a);
    re += share * cos_a * (plus + minus);
    im += share * sin_a * (plus - minus);
  }
  const double angle = -x * (length - 1), size = sin(RB_PI * offset_bins) / length;
  const double c = cos(angle), s = sin(angle);
  return CMPLX(size * (re * c - im * s), size * (re * s + im * c));
}
