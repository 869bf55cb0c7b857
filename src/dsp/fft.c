// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/fft.h"

#include <fftw3.h> // after complex.h (by fft.h), so that fftw_complex is double complex
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

// FFTW's planner is one for the whole program and not safe from two threads; execution is.
static pthread_mutex_t planner = PTHREAD_MUTEX_INITIALIZER;

// A plan for arrays aligned as FFTW's own, and one for any: which of them runs is chosen by the
// arrays at hand, made when first needed.
typedef struct plan_pair {
  fftw_plan aligned, any;
} plan_pair;

struct rb_fft {
  size_t n;
  plan_pair forward, inverse;
};

// Plans given back are kept, since planning a long transform takes longer than doing it. Guarded by
// `planner`.
enum { KEPT = 4 };
static rb_fft *kept[KEPT]; // the last given back first

static void destroy_locked(rb_fft *fft)
{
  const fftw_plan plans[] = {fft->forward.aligned, fft->forward.any, fft->inverse.aligned,
                             fft->inverse.any};
  for (size_t i = 0; i < RB_LEN(plans); i++)
    if (plans[i])
      fftw_destroy_plan(plans[i]);
  free(fft);
}

void rb_fft_free(rb_fft *fft)
{
  if (!fft)
    return;
  pthread_mutex_lock(&planner);
  if (kept[KEPT - 1])
    destroy_locked(kept[KEPT - 1]);
  memmove(kept + 1, kept, (KEPT - 1) * sizeof *kept);
  kept[0] = fft;
  pthread_mutex_unlock(&planner);
}

// A kept object of that length, taken out of the list; NULL where there is none.
static rb_fft *take_kept(size_t n)
{
  rb_fft *found = NULL;
  pthread_mutex_lock(&planner);
  for (size_t i = 0; i < KEPT && !found; i++)
    if (kept[i] && kept[i]->n == n) {
      found = kept[i];
      memmove(kept + i, kept + i + 1, (KEPT - 1 - i) * sizeof *kept);
      kept[KEPT - 1] = NULL;
    }
  pthread_mutex_unlock(&planner);
  return found;
}

rb_fft *rb_fft_new(size_t n)
{
  if (!n || n > 1U << 30)
    return NULL;
  rb_fft *fft = take_kept(n);
  if (fft)
    return fft;
  fft = calloc(1, sizeof *fft);
  if (fft)
    fft->n = n;
  return fft;
}

static bool has_only_factors_to_7(size_t n)
{
  static const size_t factors[] = {2, 3, 5, 7};
  for (size_t i = 0; i < RB_LEN(factors); i++)
    while (n % factors[i] == 0)
      n /= factors[i];
  return n == 1;
}

size_t rb_fft_good_size(size_t least)
{
  size_t n = least < 2 ? 2 : least + least % 2;
  while (!has_only_factors_to_7(n))
    n += 2;
  return n;
}

static bool is_aligned(double *samples, double complex *spectrum)
{
  return fftw_alignment_of(samples) == 0 && fftw_alignment_of((double *)spectrum) == 0;
}

// The plan for arrays like these, made when first asked for. With FFTW_ESTIMATE the planner looks
// at the arrays' addresses only and leaves their contents.
static fftw_plan forward_plan(rb_fft *fft, double *samples, double complex *spectrum)
{
  const bool aligned = is_aligned(samples, spectrum);
  fftw_plan *plan = aligned ? &fft->forward.aligned : &fft->forward.any;
  if (!*plan) {
    pthread_mutex_lock(&planner);
    *plan =
        fftw_plan_dft_r2c_1d((int)fft->n, samples, spectrum,
                             FFTW_ESTIMATE | FFTW_PRESERVE_INPUT | (aligned ? 0 : FFTW_UNALIGNED));
    pthread_mutex_unlock(&planner);
  }
  return *plan;
}

static fftw_plan inverse_plan(rb_fft *fft, double complex *spectrum, double *samples)
{
  const bool aligned = is_aligned(samples, spectrum);
  fftw_plan *plan = aligned ? &fft->inverse.aligned : &fft->inverse.any;
  if (!*plan) {
    pthread_mutex_lock(&planner);
    *plan = fftw_plan_dft_c2r_1d((int)fft->n, spectrum, samples,
                                 FFTW_ESTIMATE | (aligned ? 0 : FFTW_UNALIGNED));
    pthread_mutex_unlock(&planner);
  }
  return *plan;
}

void rb_fft_forward(rb_fft *fft, const double *samples, double complex *spectrum)
{
  // FFTW's signature has no const; the input is preserved.
  double *input = (double *)(uintptr_t)samples;
  fftw_execute_dft_r2c(forward_plan(fft, input, spectrum), input, spectrum);
}

void rb_fft_inverse(rb_fft *fft, double complex *spectrum, double *samples)
{
  fftw_execute_dft_c2r(inverse_plan(fft, spectrum, samples), spectrum, samples);
  const double scale = 1.0 / (double)fft->n;
  for (size_t i = 0; i < fft->n; i++)
    samples[i] *= scale;
}
