// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/fft.h"

#include <fftw3.h> // after complex.h (by fft.h), so that fftw_complex is double complex
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>

// FFTW's planner is one for the whole program and not safe from two threads; execution is.
static pthread_mutex_t planner = PTHREAD_MUTEX_INITIALIZER;

// A plan for arrays aligned as FFTW's own, and one for any: which of them runs is chosen by the
// arrays at hand, made when first needed.
typedef struct plan_pair {
  fftw_plan aligned, any;
} plan_pair;

struct rb_fft {
  size_t n;
  double *samples; // only for planning: FFTW wants arrays to plan with
  fftw_complex *spectrum;
  plan_pair forward, inverse;
};

static fftw_plan make_plan(const rb_fft *fft, bool inverse, unsigned flags)
{
  const int n = (int)fft->n;
  flags |= FFTW_ESTIMATE;
  pthread_mutex_lock(&planner);
  fftw_plan plan =
      inverse ? fftw_plan_dft_c2r_1d(n, fft->spectrum, fft->samples, flags)
              : fftw_plan_dft_r2c_1d(n, fft->samples, fft->spectrum, flags | FFTW_PRESERVE_INPUT);
  pthread_mutex_unlock(&planner);
  return plan;
}

static void drop_plan(fftw_plan plan)
{
  if (!plan)
    return;
  pthread_mutex_lock(&planner);
  fftw_destroy_plan(plan);
  pthread_mutex_unlock(&planner);
}

static void release(rb_fft *fft)
{
  drop_plan(fft->forward.aligned);
  drop_plan(fft->forward.any);
  drop_plan(fft->inverse.aligned);
  drop_plan(fft->inverse.any);
  fftw_free(fft->samples);
  fftw_free(fft->spectrum);
  free(fft);
}

void rb_fft_free(rb_fft *fft)
{
  if (fft)
    release(fft);
}

rb_fft *rb_fft_new(size_t n)
{
  if (!n || n > 1U << 30)
    return NULL;
  rb_fft *fft = calloc(1, sizeof *fft);
  if (!fft)
    return NULL;
  fft->n = n;
  fft->samples = fftw_alloc_real(n);
  fft->spectrum = fftw_alloc_complex(n / 2 + 1);
  if (fft->samples && fft->spectrum) {
    fft->forward.aligned = make_plan(fft, false, 0);
    if (fft->forward.aligned)
      return fft;
  }
  release(fft);
  return NULL;
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

static bool is_aligned(const double *array)
{
  // FFTW only looks at the address; its signature has no const.
  return fftw_alignment_of((double *)(uintptr_t)array) == 0;
}

static fftw_plan choose(const rb_fft *fft, plan_pair *pair, bool inverse, bool aligned)
{
  fftw_plan *plan = aligned ? &pair->aligned : &pair->any;
  if (!*plan)
    *plan = make_plan(fft, inverse, aligned ? 0 : FFTW_UNALIGNED);
  return *plan;
}

void rb_fft_forward(rb_fft *fft, const double *samples, double complex *spectrum)
{
  const bool aligned = is_aligned(samples) && is_aligned((const double *)spectrum);
  fftw_execute_dft_r2c(choose(fft, &fft->forward, false, aligned), (double *)(uintptr_t)samples,
                       spectrum);
}

void rb_fft_inverse(rb_fft *fft, double complex *spectrum, double *samples)
{
  const bool aligned = is_aligned(samples) && is_aligned((const double *)spectrum);
  fftw_execute_dft_c2r(choose(fft, &fft->inverse, true, aligned), spectrum, samples);
  const double scale = 1.0 / (double)fft->n;
  for (size_t i = 0; i < fft->n; i++)
    samples[i] *= scale;
}
