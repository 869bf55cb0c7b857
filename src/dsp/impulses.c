// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/impulses.h"

#include "blocks.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/comb.h"
#include "rollbook/dsp/select.h"

#include <math.h>
#include <string.h>

static const double BLOCK_S = 10;
static const double COMB_S = 0.5;      // the mains wanders: short pieces, overlapping by half
static const double CLIP = 5;          // spreads: what stands out more must not lean on the comb
static const double THRESHOLD = 5.7;   // local spreads
static const double DEAD_S = 0.020;    // hits nearer than this are one
static const double HIGH_PASS_HZ = 20; // what drifts is no impulse
static const double SPREAD_FROM_MEDIAN = 1.482602218505602; // 1/Φ⁻¹(¾)
static const double LOCAL_S = 0.5;
enum { LOCAL_WIDTHS = 400, MOST_FOR_MEDIAN = 2001 };
static const size_t WIDTHS[] = {1, 4, 16, 64, 256};

// Burst noise.
static const double STEP_S = 0.005; // means before and after a step
static const double SHORTEST_LEVEL_S = 0.015;
enum { FEWEST_STEPS = 6, STEPS_KEPT = 4096 };

typedef struct step {
  double time_s, size;
} step;

struct rb_impulse_meter {
  rb_arena *arena;
  double rate_hz, search_low_hz, search_high_hz;
  blocks waiting;
  size_t n_taken;
  rb_pop *pops;
  size_t n_pops;
  double last_hit_s, largest_peak;
  step *steps;
  size_t n_steps;
};

/// Samples at each end of a block that its neighbours search.
static size_t margin_samples(const rb_impulse_meter *m)
{
  return (size_t)(COMB_S * m->rate_hz / 2);
}

rb_status rb_impulse_meter_new(double rate_hz, double mains_hz, rb_arena *arena,
                               rb_impulse_meter **meter)
{
  if (!(rate_hz >= 8000) || !(rate_hz <= 400000))
    return RB_BAD_ARG;
  rb_impulse_meter *m = rb_arena_alloc(arena, 1, sizeof *m);
  if (m == NULL)
    return RB_NO_MEM;
  *m = (rb_impulse_meter){.arena = arena,
                          .rate_hz = rate_hz,
                          .search_low_hz = mains_hz > 0 ? mains_hz - 1 : 45,
                          .search_high_hz = mains_hz > 0 ? mains_hz + 1 : 65,
                          .last_hit_s = -1,
                          .pops = rb_arena_alloc(arena, RB_POPS_KEPT, sizeof *m->pops),
                          .steps = rb_arena_alloc(arena, STEPS_KEPT, sizeof *m->steps)};
  if (m->pops == NULL || m->steps == NULL)
    return RB_NO_MEM;
  const size_t halves = (size_t)(2 * BLOCK_S / COMB_S);
  RB_TRY(blocks_new(halves * margin_samples(m), arena, &m->waiting));
  m->waiting.kept = 2 * margin_samples(m);
  *meter = m;
  return RB_OK;
}

/// First order, started at rest on the first sample.
static void high_pass(double *samples, size_t n, double corner_ratio)
{
  const double keep = exp(-2 * RB_PI * corner_ratio);
  double last_in = samples[0], last_out = 0;
  for (size_t i = 0; i < n; i++) {
    const double in = samples[i];
    last_out = keep * (last_out + in - last_in);
    last_in = in;
    samples[i] = last_out;
  }
}

/// Spread of values[first … last), from at most MOST_FOR_MEDIAN of them.
static double local_spread(const double *values, size_t first, size_t last)
{
  double sizes[MOST_FOR_MEDIAN];
  const size_t stride = (last - first) / MOST_FOR_MEDIAN + 1;
  size_t n = 0;
  for (size_t i = first; i < last && n < MOST_FOR_MEDIAN; i += stride)
    sizes[n++] = fabs(values[i]);
  return SPREAD_FROM_MEDIAN * rb_median(sizes, n);
}

/// The piece with what the comb does not explain clipped. Returns whether anything was.
static bool clip_rest(const double *piece, const double *rest, size_t n, double *clipped)
{
  const double limit = CLIP * local_spread(rest, 0, n);
  bool any = false;
  for (size_t i = 0; i < n; i++) {
    const double inside = fmax(-limit, fmin(limit, rest[i]));
    any |= fabs(rest[i]) > limit;
    clipped[i] = piece[i] - rest[i] + inside;
  }
  return any;
}

/// Fits the comb to a piece and leaves in `rest` what it does not explain. Impulses would pull 40
/// lines at once, so the fit is done again with the rest clipped.
static rb_status take_comb_off(const rb_impulse_meter *m, const double *piece, size_t n,
                               double *rest, double *clipped)
{
  rb_comb comb;
  RB_TRY(rb_comb_fit(piece, n, m->rate_hz, m->search_low_hz, m->search_high_hz, m->arena, &comb));
  for (int again = 0; again < 2 && comb.found; again++) {
    memcpy(rest, piece, n * sizeof *rest);
    rb_comb_subtract(&comb, m->rate_hz, rest, n);
    if (!clip_rest(piece, rest, n, clipped))
      return RB_OK;
    RB_TRY(rb_comb_fit(clipped, n, m->rate_hz, comb.base_hz - 0.5, comb.base_hz + 0.5, m->arena,
                       &comb));
  }
  memcpy(rest, piece, n * sizeof *rest);
  rb_comb_subtract(&comb, m->rate_hz, rest, n);
  return RB_OK;
}

/// Pieces overlap by half and are faded over into each other, so that each counts where its fit is
/// best: in its middle. The outer half pieces of a block are left to its neighbours.
static rb_status take_hum_off(const rb_impulse_meter *m, const double *samples, size_t n,
                              double *out)
{
  const size_t half = (size_t)(COMB_S * m->rate_hz / 2), piece = 2 * half;
  double *rest = rb_arena_doubles(m->arena, 2 * piece);
  if (rest == NULL)
    return RB_NO_MEM;
  memset(out, 0, n * sizeof *out);
  for (size_t at = 0; at + piece <= n; at += half) {
    RB_TRY(take_comb_off(m, samples + at, piece, rest, rest + piece));
    for (size_t i = 0; i < piece; i++)
      out[at + i] += (0.5 - 0.5 * cos(RB_PI * ((double)i + 0.5) / (double)half)) * rest[i];
  }
  return RB_OK;
}

/// means[i] = mean of `width` samples around i; 0 where they are not all there.
static void running_mean(const double *sums, size_t n, size_t width, double *means)
{
  const size_t before = width / 2;
  for (size_t i = 0; i < n; i++)
    means[i] = i >= before && i - before + width <= n
                   ? (sums[i - before + width] - sums[i - before]) / (double)width
                   : 0;
}

/// Raises score[i] to |values[i]| over its local spread.
static void score_locally(const double *values, size_t n, size_t local, double *score,
                          double *spread_out)
{
  for (size_t first = 0; first < n;) {
    const size_t last = n - first < 2 * local ? n : first + local;
    const double spread = fmax(local_spread(values, first, last), 1e-300);
    for (size_t i = first; i < last; i++) {
      score[i] = fmax(score[i], fabs(values[i]) / spread);
      if (spread_out != NULL)
        spread_out[i] = spread;
    }
    first = last;
  }
}

static size_t local_samples(const rb_impulse_meter *m, size_t width)
{
  return (size_t)fmax(LOCAL_S * m->rate_hz, (double)(LOCAL_WIDTHS * width));
}

/// Time of sample `i` of the stretch being searched.
static double searched_s(const rb_impulse_meter *m, size_t i)
{
  return (double)(m->n_taken + margin_samples(m) + i) / m->rate_hz;
}

/// One pop begins at a hit and ends when DEAD_S pass without another.
static void count_pops(rb_impulse_meter *m, const double *samples, const double *score,
                       const double *spread, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    if (!(score[i] > THRESHOLD))
      continue;
    const double time_s = searched_s(m, i);
    const bool same = m->n_pops > 0 && time_s - m->last_hit_s < DEAD_S;
    m->last_hit_s = time_s;
    const double peak = samples[i];
    m->largest_peak = fmax(m->largest_peak, fabs(peak));
    if (!same)
      m->n_pops++;
    if (m->n_pops > RB_POPS_KEPT)
      continue;
    rb_pop *pop = &m->pops[m->n_pops - 1];
    if (!same || fabs(peak) > fabs(pop->peak))
      *pop = (rb_pop){.time_s = time_s,
                      .peak = peak,
                      .over_db = rb_db_from_ratio(fabs(peak) / fmax(spread[i], 1e-300))};
  }
}

/// Noise can split a step's stretch over the threshold: two of one sign so near are one.
static void keep_step(rb_impulse_meter *m, step found)
{
  step *last = m->n_steps > 0 ? &m->steps[m->n_steps - 1] : NULL;
  if (last != NULL && last->size * found.size > 0 && found.time_s - last->time_s < 2 * STEP_S) {
    if (fabs(found.size) > fabs(last->size))
      *last = found;
    return;
  }
  m->steps[m->n_steps++] = found;
}

/// Keeps the peak of every stretch of one sign over the threshold.
static void keep_steps(rb_impulse_meter *m, const double *jump, const double *score, size_t n)
{
  for (size_t i = 0; i < n && m->n_steps < STEPS_KEPT; i++) {
    if (!(score[i] > THRESHOLD))
      continue;
    size_t best = i;
    for (; i + 1 < n && score[i + 1] > THRESHOLD && jump[i + 1] * jump[best] > 0; i++)
      if (score[i + 1] > score[best])
        best = i + 1;
    keep_step(m, (step){.time_s = searched_s(m, best), .size = jump[best]});
  }
}

static void find_steps(rb_impulse_meter *m, const double *sums, size_t n, double *jump,
                       double *score)
{
  const size_t width = (size_t)(STEP_S * m->rate_hz);
  memset(score, 0, n * sizeof *score);
  for (size_t i = 0; i < n; i++)
    jump[i] = i >= width && i + width <= n
                  ? (sums[i + width] - 2 * sums[i] + sums[i - width]) / (double)width
                  : 0;
  score_locally(jump, n, local_samples(m, width), score, NULL);
  keep_steps(m, jump, score, n);
}

static void sum_up(const double *samples, size_t n, double *sums)
{
  sums[0] = 0;
  for (size_t i = 0; i < n; i++)
    sums[i + 1] = sums[i] + samples[i];
}

static rb_status search(rb_impulse_meter *m, const double *raw, size_t n)
{
  double *samples = rb_arena_doubles(m->arena, n);
  double *sums = rb_arena_doubles(m->arena, n + 1), *means = rb_arena_doubles(m->arena, n);
  double *score = rb_arena_doubles(m->arena, n), *spread = rb_arena_doubles(m->arena, n);
  if (samples == NULL || sums == NULL || means == NULL || score == NULL || spread == NULL)
    return RB_NO_MEM;
  RB_TRY(take_hum_off(m, raw, n, samples));
  const size_t margin = margin_samples(m), searched = n - n % margin - 2 * margin;
  // Steps are looked for before the high-pass, which would bend them; it settles in the margin.
  sum_up(samples + margin, searched, sums);
  find_steps(m, sums, searched, means, score);
  high_pass(samples, n, HIGH_PASS_HZ / m->rate_hz);
  samples += margin;
  n = searched;
  sum_up(samples, n, sums);
  memset(score, 0, n * sizeof *score);
  for (size_t w = 0; w < RB_LEN(WIDTHS); w++) {
    running_mean(sums, n, WIDTHS[w], means);
    score_locally(means, n, local_samples(m, WIDTHS[w]), score, w == 0 ? spread : NULL);
  }
  count_pops(m, samples, score, spread, n);
  m->n_taken += n;
  return RB_OK;
}

static rb_status take_block(void *meter)
{
  rb_impulse_meter *m = meter;
  const rb_arena_mark scratch = rb_arena_save(m->arena);
  const rb_status status = search(m, m->waiting.samples, m->waiting.n_waiting);
  rb_arena_rewind(m->arena, scratch);
  return status;
}

rb_status rb_impulse_meter_add(rb_impulse_meter *meter, const double *samples, size_t n)
{
  return blocks_add(&meter->waiting, samples, n, take_block, meter);
}

/// Drops a step near another that is not much smaller: the two flanks of a crackle, or the echo
/// that AC coupling gives a large step.
static size_t drop_flanks(const step *steps, size_t n, step *kept)
{
  size_t n_kept = 0;
  for (size_t i = 0; i < n; i++) {
    bool crowded = false;
    for (size_t k = i > 2 ? i - 2 : 0; k < n && k <= i + 2; k++)
      crowded |= k != i && fabs(steps[k].time_s - steps[i].time_s) < SHORTEST_LEVEL_S &&
                 fabs(steps[k].size) > 0.6 * fabs(steps[i].size);
    if (!crowded)
      kept[n_kept++] = steps[i];
  }
  return n_kept;
}

static void judge_steps(rb_impulse_meter *m, double duration_s, rb_burst_noise *burst)
{
  step kept_steps[STEPS_KEPT];
  double sizes[STEPS_KEPT];
  const size_t n = drop_flanks(m->steps, m->n_steps, kept_steps);
  *burst = (rb_burst_noise){.n_steps = n, .jumps_per_s = (double)n / duration_s};
  if (n < FEWEST_STEPS)
    return;
  size_t alternating = 0, alike = 0;
  for (size_t i = 0; i < n; i++) {
    sizes[i] = fabs(kept_steps[i].size);
    alternating += i > 0 && kept_steps[i].size * kept_steps[i - 1].size < 0;
  }
  burst->step = rb_median(sizes, n);
  for (size_t i = 0; i < n; i++)
    alike += sizes[i] > 0.6 * burst->step && sizes[i] < 1.6 * burst->step;
  burst->found = 6 * alternating >= 5 * (n - 1) && 6 * alike >= 5 * n;
}

rb_status rb_impulse_meter_read(rb_impulse_meter *meter, rb_impulses *impulses)
{
  *impulses = (rb_impulses){0};
  RB_TRY(blocks_flush(&meter->waiting, 3 * margin_samples(meter), take_block, meter));
  if (meter->n_taken == 0)
    return RB_NO_SIGNAL;
  const double duration_s = (double)meter->n_taken / meter->rate_hz;
  *impulses = (rb_impulses){.pops = meter->pops,
                            .n_pops = meter->n_pops,
                            .duration_s = duration_s,
                            .rate_per_min = 60 * (double)meter->n_pops / duration_s,
                            .largest_peak = meter->largest_peak};
  judge_steps(meter, duration_s, &impulses->burst);
  return RB_OK;
}
