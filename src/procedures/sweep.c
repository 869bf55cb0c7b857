// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"
#include "swept.h"
#include "sweep_pair.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/clock_offset.h"
#include "rollbook/dsp/response.h"

#include <math.h>
#include <stdio.h>

static const rb_parameter parameters[] = {
    {"first_hz", 1, 1000, 10, "where the sweep begins"},
    {"last_hz", 1000, 90000, 40000, "where it ends, at most 0.46 of the sample rate"},
    {"duration_s", 0.5, 120, 5, "about how long it takes"},
    {"tail_s", 0.3, 5, 1, "silence after it"},
};

static const double REFERENCE_HZ = 1000;
static const double HALF_POWER_DB = 3.010299956639812;

/// Bands whose mean is told against 1 kHz.
static const struct {
  const char *key;
  double low_hz, high_hz;
} BANDS[] = {{"bass_band", 30, 120}, {"mid_band", 300, 3000}, {"treble_band", 8000, 20000}};

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  swept_layout layout;
  RB_TRY(swept_layout_for(signal, drive, rate_hz, &layout, err));
  RB_TRY(stimulus_new(layout.duration_s, rate_hz, arena, stimulus, err));
  double *const target[2] = {stimulus->left, stimulus->right};
  for (unsigned c = 0; c < 2; c++) {
    const size_t start = (size_t)lround(layout.start_s[c] * rate_hz);
    if (is_driven(drive, c))
      rb_sweep_samples(&layout.sweep, 0, target[c] + start, layout.sweep.n_samples);
  }
  return RB_OK;
}

// ---- what is read off one response --------------------------------------------------------------

/// A channel's linear response in the forms readings need.
typedef struct shown {
  double *magnitude_db, *uncertainty_db, *phase_deg, *delay_ms;
} shown;

static rb_status show(const swept_response *r, int polarity, rb_arena *scratch, shown *s,
                      rb_err *err)
{
  *s = (shown){.magnitude_db = rb_arena_doubles(scratch, r->n),
               .uncertainty_db = rb_arena_doubles(scratch, r->n),
               .phase_deg = rb_arena_doubles(scratch, r->n),
               .delay_ms = rb_arena_doubles(scratch, r->n)};
  double complex *turned = rb_arena_alloc(scratch, r->n, sizeof *turned);
  if (!s->magnitude_db || !s->uncertainty_db || !s->phase_deg || !s->delay_ms || !turned)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a response.");
  // A sound path's latency says nothing about the amplifier: the delay of the middle is taken out.
  const double delay_s = rb_response_delay_s(r->freq_hz, r->value, r->n, 300, 3000);
  for (size_t i = 0; i < r->n; i++) {
    turned[i] = polarity * r->value[i];
    s->uncertainty_db[i] = rb_response_noise_db(cabs(r->value[i]), r->noise_rms[i]);
  }
  rb_response_undelay(r->freq_hz, turned, r->n, delay_s);
  rb_response_db(turned, r->n, s->magnitude_db);
  rb_response_phase_deg(r->freq_hz, turned, r->n, REFERENCE_HZ, s->phase_deg);
  rb_response_group_delay(r->freq_hz, s->phase_deg, r->n, s->delay_ms);
  for (size_t i = 0; i < r->n; i++)
    s->delay_ms[i] *= 1000;
  return RB_OK;
}

/// Uncertainty of the response in a band: rms over its points. Neighbours share noise in the bass,
/// so it is not divided by their number.
static double band_uncertainty_db(const swept_response *r, const shown *s, double low_hz,
                                  double high_hz)
{
  double squares = 0;
  size_t n = 0;
  for (size_t i = 0; i < r->n; i++) {
    if (r->freq_hz[i] < low_hz || r->freq_hz[i] > high_hz)
      continue;
    squares += s->uncertainty_db[i] * s->uncertainty_db[i];
    n++;
  }
  return n > 0 ? sqrt(squares / (double)n) : 0;
}

static void add_bands(reading_sink *sink, const swept_response *r, const shown *s)
{
  const double reference_db = band_uncertainty_db(r, s, 0.97 * REFERENCE_HZ, 1.03 * REFERENCE_HZ);
  for (size_t i = 0; i < RB_LEN(BANDS); i++) {
    if (BANDS[i].low_hz < r->freq_hz[0] || BANDS[i].high_hz > r->freq_hz[r->n - 1] * 1.03)
      continue;
    const double high_hz = fmin(BANDS[i].high_hz, r->freq_hz[r->n - 1]);
    const rb_estimate band = {
        .value = rb_response_band_db(r->freq_hz, s->magnitude_db, r->n, BANDS[i].low_hz, high_hz,
                                     REFERENCE_HZ),
        .uncertainty =
            hypot(reference_db, band_uncertainty_db(r, s, BANDS[i].low_hz, BANDS[i].high_hz)),
        .resolved = true};
    add_plain(sink, BANDS[i].key, "dB", band);
  }
}

/// A corner moves by the level's uncertainty over the slope there. A lower corner under the grid is
/// told as a bound; an upper one beyond it is not told, since a reading can only bound from above.
static void add_corner(reading_sink *sink, const swept_response *r, const shown *s, bool upward)
{
  const char *key = upward ? "high_3db" : "low_3db";
  double corner_hz = 0;
  if (!rb_response_corner(r->freq_hz, s->magnitude_db, r->n, REFERENCE_HZ, HALF_POWER_DB, upward,
                          &corner_hz)) {
    if (!upward)
      add_plain(sink, key, "Hz", (rb_estimate){.value = r->freq_hz[0], .floor = r->freq_hz[0]});
    return;
  }
  const double step = exp2(1.0 / 24);
  const double slope_db = (rb_response_at_db(r->freq_hz, s->magnitude_db, r->n, corner_hz * step) -
                           rb_response_at_db(r->freq_hz, s->magnitude_db, r->n, corner_hz / step)) /
                          (2 * log(step));
  const double level_db =
      hypot(band_uncertainty_db(r, s, corner_hz / step, corner_hz * step),
            band_uncertainty_db(r, s, 0.97 * REFERENCE_HZ, 1.03 * REFERENCE_HZ));
  const double uncertainty_hz =
      fabs(slope_db) > 0 ? corner_hz * level_db / fabs(slope_db) : corner_hz;
  add_plain(sink, key, "Hz",
            (rb_estimate){.value = corner_hz, .uncertainty = uncertainty_hz, .resolved = true});
}

static size_t reference_index(const swept_response *r)
{
  size_t best = 0;
  for (size_t i = 1; i < r->n; i++)
    if (fabs(r->freq_hz[i] - REFERENCE_HZ) < fabs(r->freq_hz[best] - REFERENCE_HZ))
      best = i;
  return best;
}

static void add_level_and_gain(reading_sink *sink, const swept_response *r)
{
  const size_t i = reference_index(r);
  const rb_estimate rms = {.value = cabs(r->value[i]) / sqrt(2),
                           .uncertainty =
                               r->noise_rms[i] / 2, // half along the tone, half of that rms
                           .resolved = true};
  add_level(sink, "level", rms);
  add_gain(sink, rms);
}

static void add_linear(reading_sink *sink, const swept_response *r, const shown *s, double peak)
{
  add_level_and_gain(sink, r);
  add_plain(sink, "polarity", "", (rb_estimate){.value = peak < 0 ? -1 : 1, .resolved = true});
  add_corner(sink, r, s, false);
  add_corner(sink, r, s, true);
  add_bands(sink, r, s);
  const double reference_db = s->magnitude_db[reference_index(r)];
  for (size_t i = 0; i < r->n; i++)
    s->magnitude_db[i] -= reference_db;
  add_curve(sink, "response", "Hz", "dB",
            (curve_points){r->freq_hz, s->magnitude_db, s->uncertainty_db, r->n});
  add_curve(sink, "phase", "Hz", "deg", (curve_points){r->freq_hz, s->phase_deg, NULL, r->n});
  add_curve(sink, "group_delay", "Hz", "ms", (curve_points){r->freq_hz, s->delay_ms, NULL, r->n});
}

// ---- harmonics ----------------------------------------------------------------------------------

/// Harmonic `order` against the fundamental, over the fundamental's frequency. Where it does not
/// stand out of the noise the curve shows what noise stays below 95 times in 100.
static rb_status add_harmonic(reading_sink *sink, const swept_layout *layout,
                              const swept_channel *taken, const swept_response *linear,
                              unsigned order, rb_arena *scratch, rb_err *err)
{
  const double highest_hz = 0.45 * layout->sweep.rate_hz / order;
  swept_response r = *linear;
  while (r.n > 0 && linear->freq_hz[r.n - 1] > highest_hz)
    r.n--;
  double *output_hz = rb_arena_doubles(scratch, r.n), *size_db = rb_arena_doubles(scratch, r.n);
  double *uncertainty_db = rb_arena_doubles(scratch, r.n);
  r.value = rb_arena_alloc(scratch, r.n, sizeof *r.value);
  r.noise_rms = rb_arena_doubles(scratch, r.n);
  if (!output_hz || !size_db || !uncertainty_db || !r.value || !r.noise_rms)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a response.");
  for (size_t i = 0; i < r.n; i++)
    output_hz[i] = order * linear->freq_hz[i];
  r.freq_hz = output_hz;
  RB_TRY(swept_own(taken, order, scratch, &r, err));
  for (size_t i = 0; i < r.n; i++) {
    const double noise = r.noise_rms[i], raw = cabs(r.value[i]);
    const double size = raw > sqrt(3) * noise ? sqrt(raw * raw - noise * noise) : sqrt(3) * noise;
    size_db[i] = rb_db_from_ratio(size / cabs(linear->value[i]));
    uncertainty_db[i] = rb_response_noise_db(size, noise);
  }
  char key[RB_KEY_SIZE];
  snprintf(key, sizeof key, "h%u_curve", order);
  add_curve(sink, key, "Hz", "dB", (curve_points){linear->freq_hz, size_db, uncertainty_db, r.n});
  return sink_status(sink, err);
}

static rb_status add_channel(const rb_analysis *analysis, const swept_layout *layout,
                             unsigned channel, const swept_channel *taken, rb_arena *scratch,
                             rb_results *results, swept_response *linear, rb_err *err)
{
  shown s;
  RB_TRY(swept_grid(layout, 1, scratch, linear, err));
  RB_TRY(swept_own(taken, 1, scratch, linear, err));
  RB_TRY(show(linear, polarity_of(analysis, channel), scratch, &s, err));
  reading_sink sink = sink_for(analysis, results, channel);
  add_linear(&sink, linear, &s, taken->peak);
  for (unsigned order = 2; order <= RB_SWEEP_MAX_ORDER; order++)
    RB_TRY(add_harmonic(&sink, layout, taken, linear, order, scratch, err));
  return sink_status(&sink, err);
}

// ---- a capture ----------------------------------------------------------------------------------

/// Offset of the recorder's clock: by the markers, else by the response itself.
static rb_status take_with_clock(const rb_analysis *analysis, const swept_layout *layout,
                                 unsigned channel, const double *samples, size_t n,
                                 rb_arena *scratch, swept_channel *taken, rb_err *err)
{
  const bool framed = analysis->located != NULL || analysis->played != NULL;
  double offset = analysis->located ? -1e-6 * analysis->located->clock_ppm : 0;
  RB_TRY(swept_take(layout, channel, framed, offset, samples, n, scratch, taken, err));
  if (framed)
    return RB_OK;
  swept_response r;
  RB_TRY(swept_grid(layout, 1, scratch, &r, err));
  RB_TRY(swept_own(taken, 1, scratch, &r, err));
  offset = rb_clock_offset_from_response(&layout->sweep, r.freq_hz, r.value, r.n, 500, 5000);
  return swept_take(layout, channel, framed, offset, samples, n, scratch, taken, err);
}

static rb_status analyse_in(const rb_analysis *analysis, rb_capture *capture, rb_arena *scratch,
                            rb_results *results, rb_err *err)
{
  const unsigned n_channels = capture->n_channels < 2 ? capture->n_channels : 2;
  swept_layout layout;
  swept_channel taken[2];
  swept_response linear[2];
  double *samples[2] = {NULL, NULL};
  RB_TRY(swept_layout_for(analysis->signal, analysis->drive, capture->rate_hz, &layout, err));
  capture->health.usable = true;
  for (unsigned c = 0; c < n_channels; c++) {
    RB_TRY(channel_samples(capture, c, scratch, &samples[c], err));
    RB_TRY(judge_continuity(samples[c], capture->n_frames, capture->rate_hz, c, 0, scratch,
                            &capture->health, err));
  }
  for (unsigned c = 0; c < n_channels; c++) {
    if (!is_driven(analysis->drive, c))
      continue;
    RB_TRY(take_with_clock(analysis, &layout, c, samples[c], capture->n_frames, scratch, &taken[c],
                           err));
    RB_TRY(add_channel(analysis, &layout, c, &taken[c], scratch, results, &linear[c], err));
  }
  const bool pair = n_channels == 2 && analysis->drive == RB_BOTH && analysis->played != NULL;
  return pair ? add_pair(analysis, taken, linear, scratch, results, err) : RB_OK;
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return with_scratch(analyse_in, analysis, capture, results, err);
}

const rb_procedure rb_procedure_sweep = {
    .name = "sweep",
    .title = "Swept sine",
    .summary = "response, phase, corners and harmonics over frequency; both channels: balance and "
               "separation",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};
