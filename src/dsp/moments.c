// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/moments.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

// The record is cut into blocks of 2·PAIRS samples. Within a block samples are folded about its
// centre, even and odd part, so that a cosine or a sine needs half the products; LANES blocks run
// side by side in vector registers. A block's sums are then turned by the phase of its centre.
enum { PAIRS = 32, BLOCK = 2 * PAIRS, LANES = 4, CHUNK = BLOCK * LANES, RESYNC_CHUNKS = 64 };

typedef double lanes __attribute__((vector_size(LANES * sizeof(double))));

// One frequency's tables and running state.
typedef struct line_sums {
  double cosine[PAIRS], sine[PAIRS]; // at δ = ½, 1½, … samples from a block's centre
  double delta_cosine[PAIRS], delta_sine[PAIRS]; // the same times δ
  double complex turn[LANES]; // e^(−iω·u) at the centres of the blocks at hand
  double complex step;        // the same over a chunk
  double cycles;
} line_sums;

typedef struct folded_chunk {
  lanes even[PAIRS], odd[PAIRS];
} folded_chunk;

static double complex unit_phasor(double cycles)
{
  const double angle = 2 * RB_PI * (cycles - floor(cycles));
  return CMPLX(cos(angle), sin(angle));
}

static void prepare(line_sums *line, double cycles_per_sample)
{
  line->cycles = cycles_per_sample;
  line->step = unit_phasor(-cycles_per_sample * CHUNK);
  for (int i = 0; i < PAIRS; i++) {
    const double delta = i + 0.5;
    const double complex phasor = unit_phasor(cycles_per_sample * delta);
    line->cosine[i] = creal(phasor);
    line->sine[i] = cimag(phasor);
    line->delta_cosine[i] = delta * creal(phasor);
    line->delta_sine[i] = delta * cimag(phasor);
  }
}

static void fold(const double *chunk, folded_chunk *folded)
{
  for (int i = 0; i < PAIRS; i++)
    for (int lane = 0; lane < LANES; lane++) {
      const double *centre = chunk + lane * BLOCK + PAIRS;
      const double after = centre[i], before = centre[-1 - i];
      folded->even[i][lane] = after + before;
      folded->odd[i][lane] = after - before;
    }
}

// The hot loop, compiled twice where the compiler can choose at run time. Both do the same
// operations in the same order, so results do not depend on the machine.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) &&                             \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define FOR_WIDE_REGISTERS __attribute__((target_clones("avx2", "default")))
#else
#define FOR_WIDE_REGISTERS
#endif

// Adds a chunk whose first block has its centre at time `centre` to one line's moments.
FOR_WIDE_REGISTERS static void add_chunk(const folded_chunk *folded, double centre, line_sums *line,
                                         rb_moment *moment)
{
  lanes even_cos = {0}, odd_sin = {0}, odd_delta_cos = {0}, even_delta_sin = {0};
  for (int i = 0; i < PAIRS; i++) {
    even_cos += folded->even[i] * line->cosine[i];
    odd_sin += folded->odd[i] * line->sine[i];
    odd_delta_cos += folded->odd[i] * line->delta_cosine[i];
    even_delta_sin += folded->even[i] * line->delta_sine[i];
  }
  for (int lane = 0; lane < LANES; lane++) {
    const double complex turn = line->turn[lane];
    const double t = creal(turn), s = cimag(turn), u = centre + lane * BLOCK;
    // (even_cos − i·odd_sin) and u times it plus the inner moment, turned
    const double re = even_cos[lane], im = -odd_sin[lane];
    const double first_re = u * re + odd_delta_cos[lane];
    const double first_im = u * im - even_delta_sin[lane];
    moment->sum += CMPLX(re * t - im * s, re * s + im * t);
    moment->first += CMPLX(first_re * t - first_im * s, first_re * s + first_im * t);
    const double c = creal(line->step), d = cimag(line->step);
    line->turn[lane] = CMPLX(t * c - s * d, t * d + s * c);
  }
}

static void synchronise(line_sums *line, double centre)
{
  for (int lane = 0; lane < LANES; lane++)
    line->turn[lane] = unit_phasor(-line->cycles * (centre + lane * BLOCK));
}

rb_status rb_moments(const double *samples, size_t n, const double *cycles_per_sample,
                     size_t n_frequencies, rb_arena *arena, rb_moment *moments)
{
  const rb_arena_mark mark = rb_arena_save(arena);
  line_sums *lines = rb_arena_alloc(arena, n_frequencies, sizeof *lines);
  folded_chunk *parts = rb_arena_alloc(arena, 1, sizeof *parts);
  if (!lines || !parts)
    return RB_NO_MEM;
  for (size_t k = 0; k < n_frequencies; k++) {
    prepare(&lines[k], cycles_per_sample[k]);
    moments[k] = (rb_moment){0};
  }
  const double record_centre = 0.5 * ((double)n - 1);
  double padded[CHUNK];
  for (size_t start = 0, chunk = 0; start < n; start += CHUNK, chunk++) {
    const double *source = samples + start;
    if (n - start < CHUNK) {
      memset(padded, 0, sizeof padded);
      memcpy(padded, source, (n - start) * sizeof(double));
      source = padded;
    }
    fold(source, parts);
    const double centre = (double)start + PAIRS - 0.5 - record_centre;
    for (size_t k = 0; k < n_frequencies; k++) {
      if (chunk % RESYNC_CHUNKS == 0)
        synchronise(&lines[k], centre);
      add_chunk(parts, centre, &lines[k], &moments[k]);
    }
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}
