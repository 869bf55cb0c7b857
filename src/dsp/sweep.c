// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/sweep.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"
#include "rollbook/dsp/zoom.h"

#include <math.h>
#include <string.h>

static const double FADE_OUT_S = 0.005;
static const double LONGEST_BEFORE_S = 0.5, LONGEST_AFTER_S = 1.0; // of a response

rb_status rb_sweep_design(double first_hz, double last_hz, double duration_s, double rate_hz,
                          rb_sweep *sweep)
{
  if (!(first_hz > 0 && last_hz > first_hz && last_hz < rate_hz / 2 && duration_s > 0 &&
        duration_s < 3600))
    return RB_BAD_ARG;
  const double octave_e = log(last_hz / first_hz);
  const double cycles = round(first_hz * duration_s / octave_e);
  if (!(cycles >= 1))
    return RB_BAD_ARG;
  const double growth_s = cycles / first_hz;
  *sweep = (rb_sweep){.first_hz = first_hz,
                      .last_hz = last_hz,
                      .rate_hz = rate_hz,
                      .growth_s = growth_s,
                      .duration_s = growth_s * octave_e,
                      .fade_in_s = fmin(0.5 * log(2), 0.5 * octave_e) * growth_s,
                      .fade_out_s = fmin(FADE_OUT_S, 0.25 * growth_s * octave_e),
                      .n_samples = (size_t)ceil(growth_s * octave_e * rate_hz)};
  return RB_OK;
}

/// Raised cosine at both ends.
static double fade(const rb_sweep *sweep, double t)
{
  double gain = 1;
  if (t < sweep->fade_in_s)
    gain = 0.5 - 0.5 * cos(RB_PI * t / sweep->fade_in_s);
  const double left_s = sweep->duration_s - t;
  if (left_s < sweep->fade_out_s)
    gain *= 0.5 - 0.5 * cos(RB_PI * left_s / sweep->fade_out_s);
  return gain;
}

void rb_sweep_samples(const rb_sweep *sweep, double clock_offset, double *samples, size_t n)
{
  enum { RESTART = 256 }; // growing by a factor loses digits slowly
  const double step_s = (1 + clock_offset) / sweep->rate_hz;
  const double factor = exp(step_s / sweep->growth_s);
  double turns = 0;
  for (size_t k = 0; k < n; k++) {
    const double t = (double)k * step_s;
    if (t >= sweep->duration_s) {
      samples[k] = 0;
      continue;
    }
    turns = k % RESTART == 0 ? sweep->first_hz * sweep->growth_s * exp(t / sweep->growth_s)
                             : turns * factor;
    // Whole turns are dropped before the sine, which would lose digits on large arguments.
    samples[k] = fade(sweep, t) * sin(2 * RB_PI * (turns - floor(turns)));
  }
}

double rb_sweep_lag_s(const rb_sweep *sweep, unsigned order)
{
  return sweep->growth_s * log((double)order);
}

// ---- taking the sweep out -----------------------------------------------------------------------

/// Edges of the band in which the deconvolution is believed: raised cosines outside it keep the
/// impulse response short where the sweep holds no energy.
typedef struct edges {
  double low_start_hz, low_end_hz, high_start_hz, high_end_hz;
} edges;

static double rise(double x)
{
  return x <= 0 ? 0 : x >= 1 ? 1 : 0.5 - 0.5 * cos(RB_PI * x);
}

static double edge_gain(const edges *e, double freq_hz)
{
  return rise((freq_hz - e->low_start_hz) / (e->low_end_hz - e->low_start_hz)) *
         rise((e->high_end_hz - freq_hz) / (e->high_end_hz - e->high_start_hz));
}

/// capture/played, bin by bin: fades and ripple of the sweep's spectrum cancel exactly.
static void divide_by_played(const rb_sweep *sweep, const double complex *captured,
                             const double complex *played, size_t n_fft, double complex *out)
{
  const edges e = {.low_start_hz = 0.75 * sweep->first_hz,
                   .low_end_hz = 1.5 * sweep->first_hz,
                   .high_start_hz = 0.96 * sweep->last_hz,
                   .high_end_hz = sweep->last_hz};
  for (size_t k = 0; k <= n_fft / 2; k++) {
    const double gain = edge_gain(&e, (double)k * sweep->rate_hz / (double)n_fft);
    const double power = creal(played[k] * conj(played[k]));
    out[k] = gain > 0 && power > 0 ? captured[k] * conj(played[k]) * (gain / power) : 0;
  }
}

/// Times the closed form of the inverse spectrum, 2√(f/L)·e^(−j2πfL(1 − ln(f/f1)) + jπ/4)
/// (Novak, Lotton & Simon 2015), which goes on above last_hz, where only harmonics are. A
/// recorder's offset makes it the inverse of a sweep of f1·(1+δ) and L/(1+δ).
static void multiply_by_inverse(const rb_sweep *sweep, double clock_offset, size_t n_fft,
                                double complex *spectrum)
{
  const double first_hz = sweep->first_hz * (1 + clock_offset);
  const double growth_s = sweep->growth_s / (1 + clock_offset);
  const double half_hz = sweep->rate_hz / 2;
  const edges e = {.low_start_hz = 0.75 * sweep->first_hz,
                   .low_end_hz = 1.5 * sweep->first_hz,
                   .high_start_hz = 0.96 * half_hz,
                   .high_end_hz = half_hz};
  for (size_t k = 0; k <= n_fft / 2; k++) {
    const double freq_hz = (double)k * sweep->rate_hz / (double)n_fft;
    const double gain = edge_gain(&e, freq_hz);
    if (gain <= 0) {
      spectrum[k] = 0;
      continue;
    }
    const double turns = freq_hz * growth_s * (1 - log(freq_hz / first_hz)) - 0.125;
    const double angle_rad = -2 * RB_PI * (turns - floor(turns));
    const double size = gain * 2 * sqrt(freq_hz / growth_s) / sweep->rate_hz;
    spectrum[k] *= CMPLX(size * cos(angle_rad), size * sin(angle_rad));
  }
}

/// capture ÷ sweep, and both spectra kept for the harmonics.
static void deconvolve(const rb_sweep *sweep, double clock_offset, const double *capture, size_t n,
                       rb_fft *fft, double complex *result, rb_impulse *impulse)
{
  double *samples = impulse->linear; // first of all a place for what is transformed
  const size_t n_fft = impulse->n;
  memcpy(samples, capture, n * sizeof *capture);
  memset(samples + n, 0, (n_fft - n) * sizeof *capture);
  rb_fft_forward(fft, samples, impulse->captured);
  rb_sweep_samples(sweep, clock_offset, samples, n_fft);
  rb_fft_forward(fft, samples, impulse->played);
  divide_by_played(sweep, impulse->captured, impulse->played, n_fft, result);
  rb_fft_inverse(fft, result, impulse->linear);
}

rb_status rb_sweep_deconvolve(const rb_sweep *sweep, const double *capture, size_t n,
                              double clock_offset, rb_arena *arena, rb_impulse *impulse)
{
  if (n < sweep->n_samples || !(fabs(clock_offset) < 0.01))
    return RB_BAD_ARG;
  const size_t n_fft = rb_fft_good_size(n);
  const double tail_s = (double)n / sweep->rate_hz - sweep->duration_s;
  const double noise_s = fmin(2 * LONGEST_AFTER_S, tail_s);
  *impulse = (rb_impulse){.sweep = *sweep,
                          .clock_offset = clock_offset,
                          .linear = rb_arena_doubles(arena, n_fft),
                          .captured = rb_arena_alloc(arena, n_fft / 2 + 1, sizeof(double complex)),
                          .played = rb_arena_alloc(arena, n_fft / 2 + 1, sizeof(double complex)),
                          .n = n_fft,
                          .tail_s = tail_s,
                          .quiet_s = {0.35 * noise_s, 0.95 * noise_s}};
  const rb_arena_mark scratch = rb_arena_save(arena);
  double complex *result = rb_arena_alloc(arena, n_fft / 2 + 1, sizeof *result);
  rb_fft *fft = rb_fft_new(n_fft);
  const int complete = impulse->linear != NULL && impulse->captured != NULL &&
                       impulse->played != NULL && result != NULL && fft != NULL;
  if (complete)
    deconvolve(sweep, clock_offset, capture, n, fft, result, impulse);
  rb_fft_free(fft);
  rb_arena_rewind(arena, scratch);
  return complete ? RB_OK : RB_NO_MEM;
}

/// Sample at `index`, negative times being at the end.
static double sample_at(const double *samples, size_t n, long index)
{
  const long size = (long)n, wrapped = index % size;
  return samples[wrapped < 0 ? wrapped + size : wrapped];
}

double rb_impulse_delay_s(const rb_impulse *impulse, double earliest_s, double latest_s,
                          double *peak)
{
  const double rate_hz = impulse->sweep.rate_hz;
  long best = lround(earliest_s * rate_hz);
  for (long i = best; i <= lround(latest_s * rate_hz); i++)
    if (fabs(sample_at(impulse->linear, impulse->n, i)) >
        fabs(sample_at(impulse->linear, impulse->n, best)))
      best = i;
  const double before = sample_at(impulse->linear, impulse->n, best - 1);
  const double here = sample_at(impulse->linear, impulse->n, best);
  const double after = sample_at(impulse->linear, impulse->n, best + 1);
  const double bend = before - 2 * here + after;
  const double fraction = bend != 0 ? 0.5 * (before - after) / bend : 0;
  if (peak != NULL)
    *peak = here - 0.25 * (before - after) * fraction;
  return ((double)best + fmax(-1, fmin(1, fraction))) / rate_hz;
}

// ---- responses
// -----------------------------------------------------------------------------------

/// A piece cut out of an impulse response, its ends tapered.
typedef struct piece {
  double *samples;
  size_t n;
  double first_s;       // time of the first sample against the origin
  double window_energy; // Σ w²
} piece;

typedef struct span {
  double before_s, after_s;           // cut so far from the origin
  double flat_before_s, flat_after_s; // untouched so far
} span;

/// Half way to the neighbouring harmonic's response flat, tapered to 0.85 of the way. After the
/// linear response nothing follows but the end of the record.
static span span_of(const rb_impulse *impulse, unsigned order)
{
  const double before_s =
      fmin(LONGEST_BEFORE_S, impulse->sweep.growth_s * log((order + 1.0) / order));
  const double after_s =
      order == 1 ? fmin(LONGEST_AFTER_S, impulse->tail_s)
                 : fmin(LONGEST_BEFORE_S, impulse->sweep.growth_s * log(order / (order - 1.0)));
  return (span){.before_s = 0.85 * before_s,
                .flat_before_s = 0.5 * before_s,
                .after_s = (order == 1 ? 0.95 : 0.85) * after_s,
                .flat_after_s = (order == 1 ? 0.6 : 0.5) * after_s};
}

static double taper(const span *s, double t)
{
  return rise((t + s->before_s) / (s->before_s - s->flat_before_s)) *
         rise((s->after_s - t) / (s->after_s - s->flat_after_s));
}

static rb_status cut(const double *samples, size_t n, double rate_hz, double origin_s,
                     const span *s, rb_arena *arena, piece *out)
{
  const long first = (long)ceil((origin_s - s->before_s) * rate_hz);
  const long last = (long)floor((origin_s + s->after_s) * rate_hz);
  *out = (piece){0};
  if (last <= first)
    return RB_BAD_ARG;
  out->n = (size_t)(last - first + 1);
  out->first_s = (double)first / rate_hz - origin_s;
  out->samples = rb_arena_doubles(arena, out->n);
  if (out->samples == NULL)
    return RB_NO_MEM;
  for (size_t i = 0; i < out->n; i++) {
    const double weight = taper(s, out->first_s + (double)i / rate_hz);
    out->samples[i] = weight * sample_at(samples, n, first + (long)i);
    out->window_energy += weight * weight;
  }
  return RB_OK;
}

/// Cumulated power of a stretch after the linear response, where only noise is left.
typedef struct noise_floor {
  double *cumulated; // Σ |X|² over bins 0 … k−1, divided by the window's energy
  size_t n_bins;
  double bin_hz;
} noise_floor;

static rb_status measure_floor(const rb_impulse *impulse, rb_arena *arena, noise_floor *floor)
{
  const double half_s = 0.5 * (impulse->quiet_s[1] - impulse->quiet_s[0]);
  const span s = {.before_s = half_s, .after_s = half_s};
  piece p;
  RB_TRY(cut(impulse->linear, impulse->n, impulse->sweep.rate_hz, impulse->quiet_s[0] + half_s, &s,
             arena, &p));
  p.n -= p.n % 2;
  floor->n_bins = p.n / 2 + 1;
  floor->bin_hz = impulse->sweep.rate_hz / (double)p.n;
  floor->cumulated = rb_arena_doubles(arena, floor->n_bins + 1);
  double complex *spectrum = rb_arena_alloc(arena, floor->n_bins, sizeof *spectrum);
  rb_fft *fft = rb_fft_new(p.n);
  if (floor->cumulated == NULL || spectrum == NULL || fft == NULL) {
    rb_fft_free(fft);
    return RB_NO_MEM;
  }
  rb_fft_forward(fft, p.samples, spectrum);
  rb_fft_free(fft);
  for (size_t k = 0; k < floor->n_bins; k++)
    floor->cumulated[k + 1] =
        floor->cumulated[k] + creal(spectrum[k] * conj(spectrum[k])) / p.window_energy;
  return RB_OK;
}

/// Noise power density at a frequency, averaged over a third of an octave and seven bins at least.
/// Above the sweep's end it goes on as the inverse spectrum does, ∝ f, which holds for white noise.
static double floor_at(const noise_floor *floor, double freq_hz, double last_hz)
{
  const double edge_hz = 0.9 * last_hz, at_hz = fmin(freq_hz, edge_hz);
  const double half_bins = fmax(3.5, 0.116 * at_hz / floor->bin_hz);
  const double centre = at_hz / floor->bin_hz;
  const double highest = (double)floor->n_bins - 1;
  const size_t first = (size_t)fmax(1, fmin(highest, round(centre - half_bins)));
  const size_t last = (size_t)fmax((double)first, fmin(highest, round(centre + half_bins)));
  const double mean =
      (floor->cumulated[last + 1] - floor->cumulated[first]) / (double)(last - first + 1);
  return mean * fmax(1, freq_hz / edge_hz);
}

static rb_status respond(const rb_impulse *impulse, unsigned order, double delay_s,
                         const double *freq_hz, size_t n_freq, rb_arena *arena,
                         double complex *response, double *noise_rms)
{
  const rb_sweep *sweep = &impulse->sweep;
  const double lag_s = rb_sweep_lag_s(sweep, order) / (1 + impulse->clock_offset);
  const span s = span_of(impulse, order);
  piece p;
  RB_TRY(cut(order == 1 ? impulse->linear : impulse->harmonic, impulse->n, sweep->rate_hz,
             delay_s - lag_s, &s, arena, &p));
  RB_TRY(rb_zoom(p.samples, p.n, sweep->rate_hz, p.first_s, freq_hz, n_freq, arena, response));
  const double lowest_hz = order * sweep->first_hz;
  const double highest_hz = fmin(order * sweep->last_hz, sweep->rate_hz / 2);
  for (size_t i = 0; i < n_freq; i++)
    if (freq_hz[i] < lowest_hz || freq_hz[i] > highest_hz)
      response[i] = 0;
  if (noise_rms == NULL)
    return RB_OK;
  noise_floor floor = {0};
  RB_TRY(measure_floor(impulse, arena, &floor));
  for (size_t i = 0; i < n_freq; i++)
    noise_rms[i] = sqrt(floor_at(&floor, freq_hz[i], sweep->last_hz) * p.window_energy);
  return RB_OK;
}

/// The linear response alone, windowed in place as it is read.
static void keep_linear(const rb_impulse *impulse, double delay_s, double *samples)
{
  const span s = span_of(impulse, 1);
  const double rate_hz = impulse->sweep.rate_hz;
  const long first = (long)ceil((delay_s - s.before_s) * rate_hz);
  const long last = (long)floor((delay_s + s.after_s) * rate_hz);
  const long size = (long)impulse->n;
  memset(samples, 0, impulse->n * sizeof *samples);
  for (long i = first; i <= last; i++)
    samples[((i % size) + size) % size] =
        sample_at(impulse->linear, impulse->n, i) * taper(&s, (double)i / rate_hz - delay_s);
}

/// Times the closed inverse goes what is left of the capture without its linear response.
static void invert_rest(const rb_impulse *impulse, double delay_s, rb_fft *fft, double *samples,
                        double complex *result)
{
  const size_t n = impulse->n;
  keep_linear(impulse, delay_s, samples);
  rb_fft_forward(fft, samples, result);
  for (size_t k = 0; k <= n / 2; k++)
    result[k] = impulse->captured[k] - result[k] * impulse->played[k];
  multiply_by_inverse(&impulse->sweep, impulse->clock_offset, n, result);
  rb_fft_inverse(fft, result, samples);
}

rb_status rb_impulse_harmonics(rb_impulse *impulse, double delay_s, rb_arena *arena)
{
  double *harmonic = rb_arena_doubles(arena, impulse->n);
  const rb_arena_mark scratch = rb_arena_save(arena);
  double complex *result = rb_arena_alloc(arena, impulse->n / 2 + 1, sizeof *result);
  rb_fft *fft = rb_fft_new(impulse->n);
  const int complete = harmonic != NULL && result != NULL && fft != NULL;
  if (complete)
    invert_rest(impulse, delay_s, fft, harmonic, result);
  rb_fft_free(fft);
  rb_arena_rewind(arena, scratch);
  impulse->harmonic = complete ? harmonic : NULL;
  return complete ? RB_OK : RB_NO_MEM;
}

rb_status rb_impulse_response(const rb_impulse *impulse, unsigned order, double delay_s,
                              const double *freq_hz, size_t n_freq, rb_arena *arena,
                              double complex *response, double *noise_rms)
{
  if (order < 1 || order > RB_SWEEP_MAX_ORDER || n_freq == 0 ||
      (order > 1 && impulse->harmonic == NULL))
    return RB_BAD_ARG;
  const rb_arena_mark scratch = rb_arena_save(arena);
  const rb_status status =
      respond(impulse, order, delay_s, freq_hz, n_freq, arena, response, noise_rms);
  rb_arena_rewind(arena, scratch);
  return status;
}

double rb_response_noise_db(double magnitude, double noise_rms)
{
  return magnitude > 0 ? 20 / log(10) * noise_rms / (sqrt(2) * magnitude) : 0;
}
