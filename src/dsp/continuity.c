// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/continuity.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/select.h"

#include <complex.h>
#include <math.h>

#define FULL_SCALE 0.9995
#define FLAT_LEAST 0.5     // flat tops lower than this are the device's own
#define SAME_VALUE 1e-7    // rounding of float samples
#define TOP_BENDS 16.0     // steps a smooth top falls within one run length: 9, and some noise
#define QUARTER_FRAME 0.25 // smallest phase step looked for, in frames
#define STEP_SIGMA 7.0     // and in robust standard deviations
#define WEAK_PHASE_RAD 0.1 // scatter from which on the phase is no witness
#define JUMP_SHARE 0.25    // of the tone's amplitude
#define JUMP_FACTOR 8.0    // of the usual largest bend in a period

enum {
  FLAT_RUN = 3,
  FLAT_RUNS = 3,
  ZERO_RUN = 16,
  BLOCK_PERIODS = 4,
  BLOCK_LEAST = 256,
  FEWEST_BLOCKS = 8,
  SPAN = 3, // hops between the two blocks compared: a step in the gap between them shows whole
};

static void report(rb_continuity *continuity, rb_break found)
{
  continuity->discontinuities++;
  size_t place = continuity->n_breaks;
  if (place == RB_CONTINUITY_BREAKS) {
    if (found.frame >= continuity->breaks[place - 1].frame)
      return;
    place--;
  } else {
    continuity->n_breaks++;
  }
  for (; place > 0 && continuity->breaks[place - 1].frame > found.frame; place--)
    continuity->breaks[place] = continuity->breaks[place - 1];
  continuity->breaks[place] = found;
}

// ---- clipping
// ------------------------------------------------------------------------------------

// The converter's step: the smallest difference between neighbours, at least a float's rounding.
static double smallest_step(const double *samples, size_t n)
{
  double smallest = 1;
  for (size_t j = 1; j < n; j++) {
    const double step = fabs(samples[j] - samples[j - 1]);
    if (step > SAME_VALUE && step < smallest)
      smallest = step;
  }
  return smallest;
}

// How far the signal lies below `extreme` one run length outside the run, on the nearer side. A
// smooth top whose last step is one run wide has fallen by nine steps there (a parabola: three
// times the half width); a cut one by eight times what was cut off.
static double fall_beside(const double *samples, size_t n, size_t start, size_t length, double sign,
                          double extreme)
{
  double fall = 2;
  if (start >= length)
    fall = fmin(fall, extreme - sign * samples[start - length]);
  if (start + 2 * length <= n)
    fall = fmin(fall, extreme - sign * samples[start + 2 * length - 1]);
  return fall;
}

static void find_flat_tops(const double *samples, size_t n, double sign, double step,
                           rb_continuity *continuity)
{
  double extreme = 0;
  for (size_t j = 0; j < n; j++)
    extreme = fmax(extreme, sign * samples[j]);
  if (extreme < FLAT_LEAST)
    return;
  size_t runs = 0, flat = 0;
  for (size_t start = 0; start < n;) {
    size_t length = 0;
    while (start + length < n && sign * samples[start + length] >= extreme - SAME_VALUE)
      length++;
    if (length >= FLAT_RUN &&
        fall_beside(samples, n, start, length, sign, extreme) > TOP_BENDS * step) {
      runs++;
      flat += length;
    }
    start += length + 1;
  }
  if (runs >= FLAT_RUNS || (runs > 0 && extreme >= FULL_SCALE)) {
    continuity->clipped_frames += flat;
    continuity->clip_value = fmax(continuity->clip_value, extreme);
  }
}

// ---- phase of the tone
// ---------------------------------------------------------------------------

typedef struct phase_track {
  double omega; // radians per sample
  size_t block, hop, n_blocks;
  double *phase;     // of each block, less the nominal advance
  double *amplitude; //
  double *scratch;
  double *advance; // over SPAN hops, less its median
  double typical;  // median amplitude
} phase_track;

static double median_of(const double *values, size_t n, double *scratch)
{
  for (size_t i = 0; i < n; i++)
    scratch[i] = values[i];
  return rb_median(scratch, n);
}

static double fold_rad(double angle_rad)
{
  return angle_rad - 2 * RB_PI * round(angle_rad / (2 * RB_PI));
}

static rb_status make_track(size_t n, double rate_hz, double tone_hz, rb_arena *arena,
                            phase_track *track)
{
  const double period = rate_hz / tone_hz;
  track->omega = 2 * RB_PI / period;
  const size_t wanted = (size_t)ceil(BLOCK_PERIODS * period);
  track->hop = (wanted < BLOCK_LEAST ? BLOCK_LEAST : wanted) / 2;
  track->block = 2 * track->hop;
  track->n_blocks = n < track->block ? 0 : (n - track->block) / track->hop + 1;
  if (track->n_blocks < FEWEST_BLOCKS) {
    track->n_blocks = 0;
    return RB_OK;
  }
  track->phase = rb_arena_doubles(arena, track->n_blocks);
  track->amplitude = rb_arena_doubles(arena, track->n_blocks);
  track->scratch = rb_arena_doubles(arena, track->n_blocks);
  track->advance = rb_arena_doubles(arena, track->n_blocks);
  return track->phase && track->amplitude && track->scratch && track->advance ? RB_OK : RB_NO_MEM;
}

// Phase and amplitude block by block, through a Hann window.
static rb_status follow(const double *samples, rb_arena *arena, phase_track *track)
{
  double *cosine = rb_arena_doubles(arena, track->block);
  double *sine = rb_arena_doubles(arena, track->block);
  if (!cosine || !sine)
    return RB_NO_MEM;
  for (size_t j = 0; j < track->block; j++) {
    const double weight = 1 - cos(2 * RB_PI * (double)j / (double)track->block);
    cosine[j] = weight * cos(track->omega * (double)j);
    sine[j] = weight * sin(track->omega * (double)j);
  }
  for (size_t i = 0; i < track->n_blocks; i++) {
    const double *block = samples + i * track->hop;
    double re[4] = {0}, im[4] = {0};
    for (size_t j = 0; j + 4 <= track->block; j += 4)
      for (size_t lane = 0; lane < 4; lane++) {
        re[lane] += block[j + lane] * cosine[j + lane];
        im[lane] -= block[j + lane] * sine[j + lane];
      }
    const double r = re[0] + re[1] + re[2] + re[3], m = im[0] + im[1] + im[2] + im[3];
    track->amplitude[i] = 2 * hypot(r, m) / (double)track->block;
    track->phase[i] = atan2(m, r) - fold_rad(track->omega * (double)(i * track->hop));
  }
  track->typical = median_of(track->amplitude, track->n_blocks, track->scratch);
  return RB_OK;
}

// What the phase gains over SPAN hops beyond its median, and how much that scatters.
static double measure_advance(phase_track *track)
{
  const size_t n = track->n_blocks - SPAN;
  for (size_t i = 0; i + 1 < track->n_blocks; i++)
    track->advance[i] = fold_rad(track->phase[i + 1] - track->phase[i]);
  const double per_hop = median_of(track->advance, track->n_blocks - 1, track->scratch);
  for (size_t i = 0; i < n; i++)
    track->advance[i] = fold_rad(track->phase[i + SPAN] - track->phase[i] - SPAN * per_hop);
  const double middle = median_of(track->advance, n, track->scratch);
  for (size_t i = 0; i < n; i++) {
    track->advance[i] -= middle;
    track->phase[i] = fabs(track->advance[i]); // the phases are used up
  }
  return 1.4826 * median_of(track->phase, n, track->scratch);
}

// Both ends hear the tone. The blocks between need not: a step near half a period cancels it there.
static bool is_steady(const phase_track *track, size_t block)
{
  const double least = 0.5 * track->typical;
  return track->amplitude[block] > least && track->amplitude[block + SPAN] > least;
}

// ---- jumps
// ---------------------------------------------------------------------------------------

// What is left of a sample's surroundings when the tone itself is cancelled.
static double bend(const double *samples, size_t j, double twice_cos)
{
  return fabs(samples[j + 1] - twice_cos * samples[j] + samples[j - 1]);
}

static size_t largest_bend(const double *samples, size_t first, size_t last, double twice_cos)
{
  size_t best = first;
  for (size_t j = first; j < last; j++)
    if (bend(samples, j, twice_cos) > bend(samples, best, twice_cos))
      best = j;
  return best;
}

// Phase steps, each placed at the sharpest bend of its surroundings.
static void find_steps(const double *samples, phase_track *track, rb_continuity *continuity)
{
  const double scatter = measure_advance(track);
  const double least = fmax(QUARTER_FRAME * track->omega, STEP_SIGMA * scatter);
  if (scatter > WEAK_PHASE_RAD)
    return;
  const double twice_cos = 2 * cos(track->omega);
  for (size_t i = 0; i + SPAN < track->n_blocks; i++) {
    if (fabs(track->advance[i]) < least || !is_steady(track, i))
      continue;
    size_t best = i, end = i;
    for (;
         end + SPAN < track->n_blocks && end <= i + SPAN + 2 && fabs(track->advance[end]) >= least;
         end++)
      if (fabs(track->advance[end]) > fabs(track->advance[best]) && is_steady(track, end))
        best = end;
    const size_t gap = (best + 2) * track->hop;
    const double frames = track->advance[best] / track->omega;
    report(continuity, (rb_break){.kind = RB_BREAK_PHASE_STEP,
                                  .frame = largest_bend(samples, gap - track->hop / 2,
                                                        gap + 3 * track->hop / 2, twice_cos),
                                  .frames = frames});
    continuity->lost_frames += (size_t)fmax(1, round(fabs(frames)));
    i = end;
  }
}

static bool is_near_break(const rb_continuity *continuity, size_t frame, size_t distance)
{
  for (size_t i = 0; i < continuity->n_breaks; i++) {
    const size_t at = continuity->breaks[i].frame;
    const size_t length =
        continuity->breaks[i].kind == RB_BREAK_ZEROS ? (size_t)continuity->breaks[i].frames : 0;
    if (frame + distance >= at && frame <= at + length + distance)
      return true;
  }
  return false;
}

// Single jumps: bends far beyond the largest of nearly every other period and no small part of the
// tone. Corners that come with every period are the device's own.
static rb_status find_jumps(const double *samples, size_t n, const phase_track *track,
                            rb_arena *arena, rb_continuity *continuity)
{
  const double twice_cos = 2 * cos(track->omega);
  const size_t period = (size_t)ceil(2 * RB_PI / track->omega);
  const size_t piece = period < BLOCK_LEAST / 4 ? BLOCK_LEAST / 4 : period;
  const size_t n_pieces = (n - 2) / piece;
  double *largest = rb_arena_doubles(arena, n_pieces + 1);
  double *scratch = rb_arena_doubles(arena, n_pieces + 1);
  if (!largest || !scratch)
    return RB_NO_MEM;
  for (size_t i = 0; i < n_pieces; i++)
    largest[i] = bend(samples, largest_bend(samples, 1 + i * piece, 1 + (i + 1) * piece, twice_cos),
                      twice_cos);
  if (n_pieces < FEWEST_BLOCKS)
    return RB_OK;
  const double usual = median_of(largest, n_pieces, scratch);
  const double least = fmax(JUMP_FACTOR * usual, JUMP_SHARE * track->typical);
  for (size_t i = 0; i < n_pieces; i++) {
    if (largest[i] < least)
      continue;
    const size_t at = largest_bend(samples, 1 + i * piece, 1 + (i + 1) * piece, twice_cos);
    if (!is_near_break(continuity, at, track->block))
      report(continuity, (rb_break){.kind = RB_BREAK_JUMP, .frame = at});
  }
  return RB_OK;
}

// ---- zeros
// ---------------------------------------------------------------------------------------

static size_t zero_run(const double *samples, size_t start, size_t end)
{
  size_t length = 0;
  while (start + length < end && samples[start + length] == 0)
    length++;
  return length;
}

// Runs of exact zeros between the first and the last sample that is not zero. Zeros that come with
// every period (a device with a dead zone) are no break unless they last half a period.
static void find_zeros(const double *samples, size_t n, const phase_track *track,
                       rb_continuity *continuity)
{
  size_t first = 0, last = n;
  while (first < n && samples[first] == 0)
    first++;
  while (last > first && samples[last - 1] == 0)
    last--;
  const double half_period = RB_PI / track->omega;
  size_t n_runs = 0;
  for (size_t j = first; j < last; j++) {
    const size_t length = zero_run(samples, j, last);
    n_runs += length >= ZERO_RUN;
    j += length;
  }
  const bool rare = (double)n_runs < 0.1 * (double)n / half_period;
  for (size_t j = first; j < last; j++) {
    const size_t length = zero_run(samples, j, last);
    if (length >= ZERO_RUN && (rare || (double)length > half_period)) {
      report(continuity, (rb_break){.kind = RB_BREAK_ZEROS, .frame = j, .frames = (double)length});
      continuity->lost_frames += length;
    }
    j += length;
  }
}

static rb_status judge_tone(const double *samples, size_t n, double rate_hz, double tone_hz,
                            rb_arena *arena, rb_continuity *continuity)
{
  phase_track track = {0};
  RB_TRY(make_track(n, rate_hz, tone_hz, arena, &track));
  find_zeros(samples, n, &track, continuity);
  if (track.n_blocks == 0)
    return RB_OK;
  RB_TRY(follow(samples, arena, &track));
  if (!(track.typical > 0))
    return RB_OK;
  if (continuity->discontinuities == 0)
    find_steps(samples, &track, continuity);
  return find_jumps(samples, n, &track, arena, continuity);
}

rb_status rb_continuity_check(const double *samples, size_t n, double rate_hz, double tone_hz,
                              rb_arena *arena, rb_continuity *continuity)
{
  *continuity = (rb_continuity){0};
  for (size_t j = 0; j < n; j++)
    continuity->not_finite += isfinite(samples[j]) ? 0 : 1;
  if (continuity->not_finite || n < FLAT_RUN)
    return RB_OK;
  const double step = smallest_step(samples, n);
  find_flat_tops(samples, n, 1, step, continuity);
  find_flat_tops(samples, n, -1, step, continuity);
  const rb_arena_mark mark = rb_arena_save(arena);
  rb_status status = RB_OK;
  if (tone_hz > 0 && tone_hz < 0.45 * rate_hz)
    status = judge_tone(samples, n, rate_hz, tone_hz, arena, continuity);
  rb_arena_rewind(arena, mark);
  continuity->usable = !continuity->clipped_frames && !continuity->discontinuities;
  return status;
}
