// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/ringdown.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"

#include <complex.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

enum { MODES = RB_RINGS_MAX + 2, PER_MODE = 4, MOST = MODES * PER_MODE };

static const double CLEAR_POWER_RATIO = 30; // of a peak over the median of the residual's spectrum
static const double LOWEST_HZ = 5;

/// e^(−damping·t)·(cosine·cos 2πft + sine·sin 2πft).
typedef struct mode {
  double cosine, sine, freq_hz, damping; // 1/s
} mode;

typedef struct fit {
  const double *samples;
  size_t n;
  double rate_hz;
  mode modes[MODES];
  size_t n_modes;
  double residual_power; // mean square
  double covariance[MOST][MOST];
} fit;

// ---- the model ----------------------------------------------------------------------------------

/// Damped phasor of every mode at the sample that comes next.
typedef struct phasors {
  double complex now[MODES], step[MODES];
} phasors;

static phasors phasors_of(const fit *f)
{
  phasors p;
  for (size_t k = 0; k < f->n_modes; k++) {
    p.now[k] = 1;
    p.step[k] = cexp(CMPLX(-f->modes[k].damping, 2 * RB_PI * f->modes[k].freq_hz) / f->rate_hz);
  }
  return p;
}

/// The model at sample i, and its derivatives by cosine, sine, frequency and damping of each mode.
static double model(const fit *f, phasors *p, size_t i, double *derivatives)
{
  const double t = (double)i / f->rate_hz;
  double sum = 0;
  for (size_t k = 0; k < f->n_modes; k++) {
    const mode *m = &f->modes[k];
    const double c = creal(p->now[k]), s = cimag(p->now[k]);
    const double value = m->cosine * c + m->sine * s;
    sum += value;
    if (derivatives != NULL) {
      derivatives[PER_MODE * k] = c;
      derivatives[PER_MODE * k + 1] = s;
      derivatives[PER_MODE * k + 2] = 2 * RB_PI * t * (m->sine * c - m->cosine * s);
      derivatives[PER_MODE * k + 3] = -t * value;
    }
    p->now[k] *= p->step[k];
  }
  return sum;
}

static double residual_power(const fit *f)
{
  phasors p = phasors_of(f);
  double sum = 0;
  for (size_t i = 0; i < f->n; i++) {
    const double left = f->samples[i] - model(f, &p, i, NULL);
    sum += left * left;
  }
  return sum / (double)f->n;
}

// ---- Levenberg–Marquardt ------------------------------------------------------------------------

static void normal_equations(const fit *f, double gram[MOST][MOST], double right[MOST])
{
  const size_t size = PER_MODE * f->n_modes;
  phasors p = phasors_of(f);
  memset(gram, 0, sizeof(double[MOST][MOST]));
  memset(right, 0, sizeof(double[MOST]));
  for (size_t i = 0; i < f->n; i++) {
    double d[MOST];
    const double left = f->samples[i] - model(f, &p, i, d);
    for (size_t a = 0; a < size; a++) {
      right[a] += d[a] * left;
      for (size_t b = 0; b <= a; b++)
        gram[a][b] += d[a] * d[b];
    }
  }
  for (size_t a = 0; a < size; a++)
    for (size_t b = a + 1; b < size; b++)
      gram[a][b] = gram[b][a];
}

/// Cholesky factor in the lower triangle; false where the matrix is not positive definite.
static bool factorise(double m[MOST][MOST], size_t size)
{
  for (size_t a = 0; a < size; a++)
    for (size_t b = 0; b <= a; b++) {
      double sum = m[a][b];
      for (size_t k = 0; k < b; k++)
        sum -= m[a][k] * m[b][k];
      if (a == b && !(sum > 0))
        return false;
      m[a][b] = a == b ? sqrt(sum) : sum / m[b][b];
    }
  return true;
}

static void solve(double m[MOST][MOST], size_t size, double x[MOST])
{
  for (size_t a = 0; a < size; a++) {
    for (size_t k = 0; k < a; k++)
      x[a] -= m[a][k] * x[k];
    x[a] /= m[a][a];
  }
  for (size_t a = size; a-- > 0;) {
    for (size_t k = a + 1; k < size; k++)
      x[a] -= m[k][a] * x[k];
    x[a] /= m[a][a];
  }
}

static bool sensible(const fit *f)
{
  for (size_t k = 0; k < f->n_modes; k++)
    if (!(f->modes[k].freq_hz > 0 && f->modes[k].freq_hz < 0.5 * f->rate_hz &&
          f->modes[k].damping > 0 && f->modes[k].damping < f->rate_hz))
      return false;
  return true;
}

static void move(fit *f, const double step[MOST])
{
  for (size_t k = 0; k < f->n_modes; k++) {
    f->modes[k].cosine += step[PER_MODE * k];
    f->modes[k].sine += step[PER_MODE * k + 1];
    f->modes[k].freq_hz += step[PER_MODE * k + 2];
    f->modes[k].damping += step[PER_MODE * k + 3];
  }
}

/// One damped step; `damping` grows when it fails and shrinks when it helps. False: stands still.
static bool improve(fit *f, double *damping)
{
  const size_t size = PER_MODE * f->n_modes;
  double gram[MOST][MOST], right[MOST];
  normal_equations(f, gram, right);
  for (int attempt = 0; attempt < 12; attempt++, *damping *= 5) {
    double m[MOST][MOST], step[MOST];
    memcpy(m, gram, sizeof m);
    memcpy(step, right, sizeof step);
    for (size_t a = 0; a < size; a++)
      m[a][a] *= 1 + *damping;
    fit tried = *f;
    if (!factorise(m, size))
      continue;
    solve(m, size, step);
    move(&tried, step);
    if (!sensible(&tried))
      continue;
    tried.residual_power = residual_power(&tried);
    if (tried.residual_power >= f->residual_power)
      continue;
    const bool moved = tried.residual_power < f->residual_power * (1 - 1e-9);
    *f = tried;
    *damping = fmax(1e-9, *damping / 8);
    return moved;
  }
  return false;
}

static void settle(fit *f)
{
  double damping = 1e-3;
  f->residual_power = residual_power(f);
  for (int step = 0; step < 60 && improve(f, &damping); step++)
    ;
}

static void take_covariance(fit *f)
{
  const size_t size = PER_MODE * f->n_modes;
  double gram[MOST][MOST], right[MOST];
  normal_equations(f, gram, right);
  memset(f->covariance, 0, sizeof f->covariance);
  if (!factorise(gram, size))
    return;
  for (size_t a = 0; a < size; a++) {
    double column[MOST] = {0};
    column[a] = f->residual_power;
    solve(gram, size, column);
    for (size_t b = 0; b < size; b++)
      f->covariance[b][a] = column[b];
  }
}

// ---- starting values ----------------------------------------------------------------------------

static int ascending(const void *a, const void *b)
{
  const double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/// Frequency of the highest peak of `left`'s spectrum; 0 where none stands out of it.
static rb_status highest_peak(const fit *f, const double *left, rb_arena *arena, double *freq_hz)
{
  const size_t n_fft = rb_fft_good_size(2 * f->n), n_bins = n_fft / 2 + 1;
  double *padded = rb_arena_doubles(arena, n_fft), *sorted = rb_arena_doubles(arena, n_bins);
  double complex *spectrum = rb_arena_alloc(arena, n_bins, sizeof *spectrum);
  rb_fft *fft = rb_fft_new(n_fft);
  *freq_hz = 0;
  if (padded == NULL || sorted == NULL || spectrum == NULL || fft == NULL) {
    rb_fft_free(fft);
    return RB_NO_MEM;
  }
  memcpy(padded, left, f->n * sizeof *padded);
  rb_fft_forward(fft, padded, spectrum);
  rb_fft_free(fft);
  size_t best = 0;
  const size_t first = (size_t)ceil(LOWEST_HZ / f->rate_hz * (double)n_fft);
  for (size_t k = first; k < n_bins; k++) {
    sorted[k] = creal(spectrum[k] * conj(spectrum[k]));
    if (best == 0 || sorted[k] > sorted[best])
      best = k;
  }
  const double highest = sorted[best];
  qsort(sorted + first, n_bins - first, sizeof *sorted, ascending);
  // Noise: the median of an exponential distribution is ln 2 of its mean.
  const double mean = sorted[first + (n_bins - first) / 2] / log(2);
  if (highest > CLEAR_POWER_RATIO * mean)
    *freq_hz = (double)best * f->rate_hz / (double)n_fft;
  return RB_OK;
}

static double complex heterodyne(const double *samples, size_t first, size_t last,
                                 double turns_per_sample)
{
  double complex sum = 0;
  for (size_t i = first; i < last; i++) {
    const double angle_rad = -2 * RB_PI * turns_per_sample * (double)i;
    sum += samples[i] * CMPLX(cos(angle_rad), sin(angle_rad));
  }
  return sum;
}

/// Both halves of a stretch tell the decay, and by their angle what the frequency is off by. The
/// longest stretch is taken whose second half still sounds.
static mode start_mode(const fit *f, const double *left, double freq_hz)
{
  const double turns = freq_hz / f->rate_hz;
  mode m = {.freq_hz = freq_hz, .damping = f->rate_hz / (double)f->n};
  for (size_t n = f->n; n > 32 && (double)n * turns > 4; n = n * 3 / 4) {
    const size_t half = n / 2;
    const double complex first = heterodyne(left, 0, half, turns);
    const double complex second = heterodyne(left, half, 2 * half, turns);
    const double ratio = cabs(second) / fmax(cabs(first), 1e-300);
    if (!(ratio > 0.15))
      continue;
    const double half_s = (double)half / f->rate_hz;
    m.damping = ratio < 0.98 ? -log(ratio) / half_s : 0.02 / half_s;
    m.freq_hz = freq_hz + carg(second * conj(first)) / (2 * RB_PI * half_s);
    break;
  }
  return m;
}

/// Cosine and sine of the newest mode, by linear least squares on what is left.
static void start_amplitude(fit *f, const double *left)
{
  mode *m = &f->modes[f->n_modes - 1];
  double cc = 0, cs = 0, ss = 0, xc = 0, xs = 0;
  double complex now = 1;
  const double complex step = cexp(CMPLX(-m->damping, 2 * RB_PI * m->freq_hz) / f->rate_hz);
  for (size_t i = 0; i < f->n; i++, now *= step) {
    const double c = creal(now), s = cimag(now);
    cc += c * c;
    cs += c * s;
    ss += s * s;
    xc += left[i] * c;
    xs += left[i] * s;
  }
  const double determinant = cc * ss - cs * cs;
  m->cosine = determinant > 0 ? (xc * ss - xs * cs) / determinant : 0;
  m->sine = determinant > 0 ? (xs * cc - xc * cs) / determinant : 0;
}

/// Adds the mode of the highest peak that is left, and fits all again. `added` is false where
/// nothing stands out any more.
static rb_status add_mode(fit *f, rb_arena *arena, bool *added)
{
  double freq_hz = 0;
  double *left = rb_arena_doubles(arena, f->n);
  *added = false;
  if (left == NULL)
    return RB_NO_MEM;
  phasors p = phasors_of(f);
  for (size_t i = 0; i < f->n; i++)
    left[i] = f->samples[i] - model(f, &p, i, NULL);
  RB_TRY(highest_peak(f, left, arena, &freq_hz));
  if (!(freq_hz > 0))
    return RB_OK;
  f->modes[f->n_modes++] = start_mode(f, left, freq_hz);
  start_amplitude(f, left);
  if (!sensible(f)) {
    f->n_modes--;
    return RB_OK;
  }
  settle(f);
  *added = true;
  return RB_OK;
}

// ---- what is told -------------------------------------------------------------------------------

static rb_ring ring_of(const fit *f, size_t k)
{
  const mode *m = &f->modes[k];
  const double freq_variance = f->covariance[PER_MODE * k + 2][PER_MODE * k + 2];
  const double damping_variance = f->covariance[PER_MODE * k + 3][PER_MODE * k + 3];
  return (rb_ring){.freq_hz = m->freq_hz,
                   .decay_s = 1 / m->damping,
                   .amplitude = hypot(m->cosine, m->sine),
                   .phase_deg = rb_deg_from_rad(atan2(-m->sine, m->cosine)),
                   .freq_uncertainty_hz = sqrt(fmax(0, freq_variance)),
                   .decay_uncertainty_s =
                       sqrt(fmax(0, damping_variance)) / (m->damping * m->damping)};
}

static void keep(rb_ringdown *ringdown, rb_ring ring, size_t max_rings)
{
  size_t place = ringdown->n_rings;
  while (place > 0 && ringdown->rings[place - 1].amplitude < ring.amplitude)
    place--;
  if (place >= max_rings)
    return;
  if (ringdown->n_rings < max_rings)
    ringdown->n_rings++;
  for (size_t i = ringdown->n_rings - 1; i > place; i--)
    ringdown->rings[i] = ringdown->rings[i - 1];
  ringdown->rings[place] = ring;
}

static rb_status fit_all(fit *f, rb_arena *arena)
{
  bool added = true;
  while (added && f->n_modes < MODES) {
    const rb_arena_mark mark = rb_arena_save(arena);
    const rb_status status = add_mode(f, arena, &added);
    rb_arena_rewind(arena, mark);
    RB_TRY(status);
  }
  return RB_OK;
}

rb_status rb_ringdown_fit(const double *samples, size_t n, double rate_hz, double low_hz,
                          double high_hz, size_t max_rings, rb_arena *arena, rb_ringdown *ringdown)
{
  *ringdown = (rb_ringdown){.n_rings = 0};
  if (n < 64 || !(rate_hz > 0) || !(low_hz >= 0 && high_hz > low_hz) || max_rings == 0)
    return RB_BAD_ARG;
  fit f = {.samples = samples, .n = n, .rate_hz = rate_hz};
  RB_TRY(fit_all(&f, arena));
  take_covariance(&f);
  ringdown->residual_rms = sqrt(f.residual_power);
  for (size_t k = 0; k < f.n_modes; k++)
    if (f.modes[k].freq_hz >= low_hz && f.modes[k].freq_hz <= high_hz)
      keep(ringdown, ring_of(&f, k), max_rings < RB_RINGS_MAX ? max_rings : RB_RINGS_MAX);
  return ringdown->n_rings > 0 ? RB_OK : RB_NO_SIGNAL;
}
