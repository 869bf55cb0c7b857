// SPDX-License-Identifier: GPL-3.0-or-later
#include "guard_internal.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/spectrum.h"

#include <math.h>
#include <stdlib.h>

enum {
  N_TONES = 2,
  MOST_SHIFT = 4, // n of the images looked for
  NEAR_HZ = 25,   // an image nearer to the tone or to a harmonic is not looked for
  HIGHEST_HARMONIC = 6,
  IMAGE_HALF_HZ = 4,  // looked at on each side of an image, for clocks that differ
  NOISE_FROM_HZ = 15, // … and where the noise beside it is read
  NOISE_TO_HZ = 60,
};

static const double tone_at_ratio[N_TONES] = {0.113, 0.41}; // of the rate
static const double tone_s = 1.3, edge_s = 0.02;
static const double usual_rates_hz[] = {32000, 44100, 48000, 88200, 96000, 176400, 192000};
static const double least_image_db = -120, least_over_noise_db = 15, least_loss_db = 40;
static const double nothing_db = -400;

// Where a frequency is seen at `rate_hz`.
static double folded_hz(double frequency_hz, double rate_hz)
{
  double within = fmod(fabs(frequency_hz), rate_hz);
  return within <= rate_hz / 2 ? within : rate_hz - within;
}

static double image_hz(double tone_hz, double rate_hz, double other_hz, int shift)
{
  return folded_hz(tone_hz + shift * (rate_hz - other_hz), rate_hz);
}

// Distance from a harmonic of the tone, or from the tone itself, or from the ends of the band.
static double clearance_hz(double frequency_hz, double tone_hz, double rate_hz)
{
  double least = fmin(frequency_hz, rate_hz / 2 - frequency_hz) - NOISE_TO_HZ;
  for (int harmonic = 1; harmonic <= HIGHEST_HARMONIC; harmonic++)
    least = fmin(least, fabs(frequency_hz - folded_hz(harmonic * tone_hz, rate_hz)));
  return least;
}

static long common_divisor(long a, long b)
{
  return b == 0 ? a : common_divisor(b, a % b);
}

// A whole number of hertz near the place asked whose images stay clear of its harmonics. It has no
// divisor in common with the rate: else the rounding of a 16 bit path would repeat itself often in
// a second, and be lines instead of noise.
static double choose_tone_hz(double rate_hz, double place_ratio)
{
  double start_hz = floor(place_ratio * rate_hz), best_hz = start_hz;
  int best = -1;
  for (double tone_hz = start_hz; tone_hz < start_hz + 300; tone_hz++) {
    if (common_divisor(lround(tone_hz), lround(rate_hz)) != 1)
      continue;
    int clear = 0;
    for (size_t r = 0; r < RB_LEN(usual_rates_hz); r++)
      for (int shift = -MOST_SHIFT; shift <= MOST_SHIFT; shift++)
        clear += clearance_hz(image_hz(tone_hz, rate_hz, usual_rates_hz[r], shift), tone_hz,
                              rate_hz) > NEAR_HZ;
    if (clear > best) {
      best = clear;
      best_hz = tone_hz;
    }
  }
  return best_hz;
}

static rb_status make_tones(double rate_hz, const double tones_hz[N_TONES], rb_arena *arena,
                            rb_stimulus *stimulus)
{
  size_t n_tone = (size_t)(tone_s * rate_hz), n_edge = (size_t)(edge_s * rate_hz);
  *stimulus = (rb_stimulus){.left = rb_arena_doubles(arena, N_TONES * n_tone),
                            .n_frames = N_TONES * n_tone,
                            .rate_hz = rate_hz};
  stimulus->right = stimulus->left;
  if (!stimulus->left)
    return RB_NO_MEM;
  for (size_t t = 0; t < N_TONES; t++) {
    for (size_t i = 0; i < n_tone; i++) {
      size_t from_edge = i < n_tone - 1 - i ? i : n_tone - 1 - i;
      double weight =
          from_edge >= n_edge ? 1 : 0.5 - 0.5 * cos(RB_PI * (double)from_edge / (double)n_edge);
      stimulus->left[t * n_tone + i] =
          weight * sin(2 * RB_PI * fmod(tones_hz[t] * (double)i / rate_hz, 1.0));
    }
  }
  return RB_OK;
}

// ---- looking ------------------------------------------------------------------------------------

// One tone's power at each whole hertz.
typedef struct tone_view {
  double tone_hz, rate_hz;
  double *power;
} tone_view;

static double most_power(const tone_view *view, double frequency_hz)
{
  double most = 0;
  long centre = lround(frequency_hz), last = (long)(view->rate_hz / 2);
  for (long k = centre - IMAGE_HALF_HZ; k <= centre + IMAGE_HALF_HZ; k++)
    if (k >= 0 && k <= last)
      most = fmax(most, view->power[k]);
  return most;
}

static int by_size(const void *a, const void *b)
{
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static double noise_power(const tone_view *view, double frequency_hz)
{
  double beside[2 * (NOISE_TO_HZ - NOISE_FROM_HZ)];
  size_t n = 0;
  for (long away = NOISE_FROM_HZ; away < NOISE_TO_HZ; away++) {
    beside[n++] = view->power[lround(frequency_hz) - away];
    beside[n++] = view->power[lround(frequency_hz) + away];
  }
  qsort(beside, n, sizeof *beside, by_size);
  return beside[n / 2];
}

// The strongest image that stands out, re `reference_power`.
static double strongest_image_db(const tone_view *view, double other_hz, double reference_power)
{
  double strongest_db = nothing_db;
  for (int shift = -MOST_SHIFT; shift <= MOST_SHIFT; shift++) {
    double at_hz = image_hz(view->tone_hz, view->rate_hz, other_hz, shift);
    if (clearance_hz(at_hz, view->tone_hz, view->rate_hz) <= NEAR_HZ)
      continue;
    double power = most_power(view, at_hz);
    double image_db = rb_db_from_power(power / reference_power);
    double over_noise_db = rb_db_from_power(power / (noise_power(view, at_hz) + 1e-30));
    if (image_db > least_image_db && over_noise_db > least_over_noise_db)
      strongest_db = fmax(strongest_db, image_db);
  }
  return strongest_db;
}

static void judge(const tone_view views[N_TONES], rb_rate_check *found)
{
  double rate_hz = views[0].rate_hz;
  double lower_power = most_power(&views[0], views[0].tone_hz);
  double upper_power = most_power(&views[1], views[1].tone_hz);
  *found = (rb_rate_check){.image_db = nothing_db,
                           .upper_loss_db = rb_db_from_power(lower_power / (upper_power + 1e-30))};
  for (size_t r = 0; r < RB_LEN(usual_rates_hz); r++) {
    double other_hz = usual_rates_hz[r];
    if (fabs(other_hz - rate_hz) < 1)
      continue;
    double lower_db = strongest_image_db(&views[0], other_hz, lower_power);
    double upper_db = strongest_image_db(&views[1], other_hz, lower_power);
    bool cut_off = views[1].tone_hz > other_hz / 2 && found->upper_loss_db > least_loss_db;
    double both_db = cut_off ? lower_db : fmin(lower_db, upper_db);
    if (both_db > found->image_db) {
      found->image_db = both_db;
      found->other_rate_hz = other_hz;
      found->resamples = true;
    }
  }
}

static rb_status look(const rb_capture *capture, const double tones_hz[N_TONES], rb_arena *arena,
                      rb_rate_check *found)
{
  size_t n_tone = (size_t)(tone_s * capture->rate_hz), n_second = (size_t)capture->rate_hz;
  size_t n_bins = n_second / 2 + 1;
  const rb_welch welch = {.segment = n_second, .step = n_second, .window = RB_WINDOW_HFT144D};
  tone_view views[2][N_TONES];
  double *samples = rb_arena_doubles(arena, capture->n_frames);
  if (!samples)
    return RB_NO_MEM;
  for (unsigned c = 0; c < 2; c++) {
    rb_capture_channel(capture, c, samples);
    for (size_t t = 0; t < N_TONES; t++) {
      views[c][t] = (tone_view){tones_hz[t], capture->rate_hz, rb_arena_doubles(arena, n_bins)};
      if (!views[c][t].power)
        return RB_NO_MEM;
      RB_TRY(rb_welch_power(samples + t * n_tone + (n_tone - n_second) / 2, n_second, &welch, arena,
                            views[c][t].power));
    }
  }
  unsigned louder = most_power(&views[1][0], tones_hz[0]) > most_power(&views[0][0], tones_hz[0]);
  judge(views[louder], found);
  return RB_OK;
}

rb_status rb_guard_check_rate(rb_guard *guard, double peak, const rb_cancel *cancel,
                              rb_arena *arena, rb_rate_check *found, rb_err *err)
{
  double rate_hz = rb_rig_granted(guard->rig)->rate_hz, tones_hz[N_TONES];
  for (size_t t = 0; t < N_TONES; t++)
    tones_hz[t] = choose_tone_hz(rate_hz, tone_at_ratio[t]);
  rb_arena_mark mark = rb_arena_save(arena);
  rb_stimulus stimulus;
  rb_capture capture;
  rb_guard_report report;
  rb_status status = make_tones(rate_hz, tones_hz, arena, &stimulus);
  if (status == RB_OK) {
    status = rb_guard_exchange(guard, &stimulus, (double[]){peak, peak}, 0, cancel, NULL, arena,
                               &capture, &report, err);
    if (status != RB_OK)
      return status;
    status = look(&capture, tones_hz, arena, found);
  }
  rb_arena_rewind(arena, mark);
  return status == RB_OK ? RB_OK : rb_fail(err, status, "The path's rate could not be checked.");
}
