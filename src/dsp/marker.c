// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/marker.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"

#include <math.h>

#define LOWEST_RATE_HZ 8000.0
#define CHIRP_LOW_HZ 1000.0
#define CHIRP_HIGH_HZ 3000.0
#define FOUND_SCORE 0.5

// The search hears this band only, so that hum, rumble and hiss do not count against a marker.
static const double pass_from_hz = 500, pass_full_hz = 700, pass_end_hz = 3500, pass_to_hz = 3900;

// The marker as a function of time, so that it can be laid between samples too.
static double marker_at(double time_s)
{
  if (!(time_s > 0 && time_s < RB_MARKER_S))
    return 0;
  const double x = time_s / RB_MARKER_S;
  const double cycles =
      CHIRP_LOW_HZ * time_s + (CHIRP_HIGH_HZ - CHIRP_LOW_HZ) * time_s * time_s / (2 * RB_MARKER_S);
  return 0.5 * (1 - cos(2 * RB_PI * x)) * sin(2 * RB_PI * (cycles - floor(cycles)));
}

size_t rb_marker_length(double rate_hz)
{
  return (size_t)ceil(RB_MARKER_S * rate_hz);
}

void rb_marker_fill(double rate_hz, double *samples)
{
  const size_t length = rb_marker_length(rate_hz);
  for (size_t j = 0; j < length; j++)
    samples[j] = marker_at((double)j / rate_hz);
}

static double pass_band(double hz)
{
  if (hz <= pass_from_hz || hz >= pass_to_hz)
    return 0;
  if (hz < pass_full_hz)
    return 0.5 - 0.5 * cos(RB_PI * (hz - pass_from_hz) / (pass_full_hz - pass_from_hz));
  if (hz > pass_end_hz)
    return 0.5 + 0.5 * cos(RB_PI * (hz - pass_end_hz) / (pass_to_hz - pass_end_hz));
  return 1;
}

typedef struct marker_search {
  double rate_hz;
  size_t n, length, n_places; // samples searched, marker, possible starts
  size_t padded;
  double *heard;       // the samples through the pass band
  double *correlation; // of the marker beginning at each sample
} marker_search;

// Band-limits the samples and correlates them with the marker, by transforms.
static rb_status correlate(marker_search *search, const double *samples, rb_arena *arena)
{
  const size_t n_bins = search->padded / 2 + 1;
  double complex *spectrum = rb_arena_alloc(arena, n_bins, sizeof *spectrum);
  double complex *chirp = rb_arena_alloc(arena, n_bins, sizeof *chirp);
  search->heard = rb_arena_doubles(arena, search->padded);
  search->correlation = rb_arena_doubles(arena, search->padded);
  if (!spectrum || !chirp || !search->heard || !search->correlation)
    return RB_NO_MEM;
  rb_fft *fft = rb_fft_new(search->padded);
  if (!fft)
    return RB_NO_MEM;
  rb_marker_fill(search->rate_hz, search->heard);
  rb_fft_forward(fft, search->heard, chirp);
  for (size_t j = 0; j < search->n; j++)
    search->heard[j] = samples[j];
  rb_fft_forward(fft, search->heard, spectrum);
  for (size_t k = 0; k < n_bins; k++) {
    spectrum[k] *= pass_band((double)k * search->rate_hz / (double)search->padded);
    chirp[k] = spectrum[k] * conj(chirp[k]);
  }
  rb_fft_inverse(fft, spectrum, search->heard);
  rb_fft_inverse(fft, chirp, search->correlation);
  rb_fft_free(fft);
  return RB_OK;
}

static double energy(const double *samples, size_t n)
{
  double sum = 0;
  for (size_t j = 0; j < n; j++)
    sum += samples[j] * samples[j];
  return sum;
}

// The place with the largest normalised correlation. A place where next to nothing is heard does
// not compete: below −100 dB of the loudest, rounding would decide.
static size_t best_place(const marker_search *search)
{
  double loudest = 0, window = energy(search->heard, search->length);
  const double first_window = window;
  for (size_t j = 0; j + 1 < search->n_places; j++) {
    loudest = fmax(loudest, window);
    const double leaving = search->heard[j], entering = search->heard[j + search->length];
    window = fmax(0, window + entering * entering - leaving * leaving);
  }
  loudest = fmax(loudest, window);
  size_t best = 0;
  double best_share = -1;
  window = first_window;
  for (size_t j = 0; j < search->n_places; j++) {
    const double c = search->correlation[j], share = c * c / (window + 1e-10 * loudest + 1e-300);
    if (share > best_share) {
      best_share = share;
      best = j;
    }
    const double leaving = search->heard[j], entering = search->heard[j + search->length];
    window = fmax(0, window + entering * entering - leaving * leaving);
  }
  return best;
}

// Correlation with the marker laid at a fractional place; its energy there in `*marker_energy`.
static double correlation_at(const marker_search *search, double place, double *marker_energy)
{
  const size_t first = place > 0 ? (size_t)floor(place) : 0;
  double sum = 0, squares = 0;
  for (size_t j = first; j <= first + search->length + 1 && j < search->n; j++) {
    const double m = marker_at(((double)j - place) / search->rate_hz);
    sum += m * search->heard[j];
    squares += m * m;
  }
  *marker_energy = squares;
  return sum;
}

// The extremum of the correlation near `place`: parabolas of shrinking width. The correlation of a
// band below 4 kHz is smooth over a sixteenth of the shortest period.
static double refine_place(const marker_search *search, double place)
{
  double ignored, width = search->rate_hz / pass_to_hz / 16;
  for (int round = 0; round < 8; round++) {
    const double left = correlation_at(search, place - width, &ignored);
    const double mid = correlation_at(search, place, &ignored);
    const double right = correlation_at(search, place + width, &ignored);
    const double bend = left - 2 * mid + right;
    const double move = bend == 0 ? 0 : 0.5 * (left - right) / bend;
    place += width * fmax(-1, fmin(1, move));
    if (fabs(move) < 0.5)
      width *= 0.5;
  }
  return place;
}

// Standard deviation of the place: noise density of what is left when the marker is taken off,
// against the energy of the marker's slope.
static double place_uncertainty(const marker_search *search, double place, double gain)
{
  const size_t first = place > 0 ? (size_t)floor(place) : 0;
  double rest = 0, slope_energy = 0;
  for (size_t j = first; j <= first + search->length && j < search->n; j++) {
    const double at = ((double)j - place) / search->rate_hz, half = 0.5 / search->rate_hz;
    const double left = search->heard[j] - gain * marker_at(at);
    const double slope = marker_at(at + half) - marker_at(at - half);
    rest += left * left;
    slope_energy += slope * slope;
  }
  const double heard_share = 2 * (pass_end_hz - pass_full_hz) / search->rate_hz;
  const double noise = rest / (double)search->length / fmin(1, heard_share);
  return sqrt(noise / slope_energy) / fabs(gain);
}

static void judge(const marker_search *search, rb_marker *marker)
{
  const double place = refine_place(search, (double)best_place(search));
  double marker_energy = 0;
  const double c = correlation_at(search, place, &marker_energy);
  const size_t first = place > 0 ? (size_t)floor(place) : 0;
  const size_t count = first + search->length <= search->n ? search->length : search->n - first;
  const double heard_energy = energy(search->heard + first, count);
  if (!(heard_energy > 0 && marker_energy > 0))
    return;
  marker->score = fmin(1, fabs(c) / sqrt(heard_energy * marker_energy));
  marker->found = marker->score > FOUND_SCORE;
  if (!marker->found)
    return;
  const double gain = c / marker_energy;
  marker->polarity = gain < 0 ? -1 : 1;
  marker->gain_ratio = fabs(gain);
  marker->position = place;
  marker->position_uncertainty = place_uncertainty(search, place, gain);
}

rb_status rb_marker_find(const double *samples, size_t n, double rate_hz, size_t first, size_t last,
                         rb_arena *arena, rb_marker *marker)
{
  *marker = (rb_marker){0};
  if (!(rate_hz >= LOWEST_RATE_HZ) || last < first)
    return RB_BAD_ARG;
  marker_search search = {.rate_hz = rate_hz, .length = rb_marker_length(rate_hz)};
  if (n < search.length || first > n - search.length)
    return RB_BAD_ARG;
  if (last > n - search.length)
    last = n - search.length;
  search.n_places = last - first + 1;
  search.n = search.n_places + search.length - 1;
  search.padded = rb_fft_good_size(search.n + 2 * search.length);
  const rb_arena_mark mark = rb_arena_save(arena);
  const rb_status status = correlate(&search, samples + first, arena);
  if (status == RB_OK) {
    judge(&search, marker);
    marker->position += marker->found ? (double)first : 0;
  }
  rb_arena_rewind(arena, mark);
  return status;
}
