// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/tone.h"

#include <math.h>

static const rb_parameter parameters[] = {
    {"duration_s", 0.3, 60, 0.6, "what is analysed of each tone"},
    {"settle_s", 0.05, 10, 0.3, "played before that, and cut off"},
};

/// Tones from the bass, where the output transformer bends them, to the treble. They stand in for
/// 20, 30, 40, 50, 100, 300 Hz and 1, 3, 6 kHz, moved so that no harmonic up to the fifth comes
/// within 3 Hz of a multiple of 50 or of 60 Hz.
static const double TONES_HZ[] = {21, 32, 42, 53, 109, 315, 1000, 3000, 6000};

enum { N_TONES = RB_LEN(TONES_HZ) };

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(rb_procedure_find("thd_by_frequency"), signal, name);
}

static double segment_s(const rb_signal *signal)
{
  return setting(signal, "settle_s") + setting(signal, "duration_s") + 2 * RB_EDGE_S;
}

static size_t tones_below(double rate_hz)
{
  size_t n = N_TONES;
  while (n > 0 && TONES_HZ[n - 1] > 0.2 * rate_hz) // the second harmonic must be there
    n--;
  return n;
}

static double edge(size_t i, size_t n, double rate_hz)
{
  const double left = fmin((double)i, (double)(n - 1 - i)) / (RB_EDGE_S * rate_hz);
  return left >= 1 ? 1 : 0.5 - 0.5 * cos(RB_PI * left);
}

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  const size_t n_tones = tones_below(rate_hz);
  const size_t n = (size_t)lround(segment_s(signal) * rate_hz);
  RB_TRY(stimulus_new((double)(n_tones * n) / rate_hz, rate_hz, arena, stimulus, err));
  double *samples = drive == RB_RIGHT ? stimulus->right : stimulus->left;
  for (size_t tone = 0; tone < n_tones; tone++)
    for (size_t i = 0; i < n; i++)
      samples[tone * n + i] =
          edge(i, n, rate_hz) * sin(2 * RB_PI * fmod(TONES_HZ[tone] * (double)i / rate_hz, 1));
  stimulus_drive(stimulus, drive, samples);
  return RB_OK;
}

// ---- curves -------------------------------------------------------------------------------------

typedef struct by_frequency {
  double thd_pct[N_TONES], thd_uncertainty_pct[N_TONES];
  double h2_db[N_TONES], h2_uncertainty_db[N_TONES];
  double h3_db[N_TONES], h3_uncertainty_db[N_TONES];
} by_frequency;

/// Where a size is not resolved, the curve shows its upper bound.
static double shown(const rb_estimate *size)
{
  return size->resolved ? size->value : rb_estimate_upper(size);
}

static void enter_db(const rb_estimate *ratio, double *value_db, double *uncertainty_db)
{
  *value_db = rb_db_from_ratio(shown(ratio));
  *uncertainty_db = 20 / log(10) * ratio->uncertainty / fmax(shown(ratio), 1e-20);
}

static rb_status measure(const rb_analysis *analysis, const double *samples, size_t n,
                         double rate_hz, size_t tone, rb_arena *scratch, by_frequency *curves,
                         rb_err *err)
{
  rb_tone_options options = rb_tone_options_default();
  options.expected_hz = TONES_HZ[tone];
  options.mains_hz = analysis->mains_hz;
  options.band_high_hz = fmin(options.band_high_hz, 0.5 * rate_hz);
  rb_tone found;
  const rb_status status = rb_tone_analyse(samples, n, rate_hz, &options, scratch, &found, err);
  if (status != RB_OK)
    return rb_fail_within(err, status, "The tone of %g Hz", TONES_HZ[tone]);
  curves->thd_pct[tone] = 100 * shown(&found.thd_ratio);
  curves->thd_uncertainty_pct[tone] = 100 * found.thd_ratio.uncertainty;
  enter_db(&found.harmonic[2].ratio, &curves->h2_db[tone], &curves->h2_uncertainty_db[tone]);
  enter_db(&found.harmonic[3].ratio, &curves->h3_db[tone], &curves->h3_uncertainty_db[tone]);
  return RB_OK;
}

static rb_status add_curves(const rb_analysis *analysis, unsigned channel, size_t n_tones,
                            const by_frequency *curves, rb_results *results, rb_err *err)
{
  reading_sink sink = sink_for(analysis, results, channel);
  add_curve(&sink, "thd_by_freq", "Hz", "%",
            (curve_points){TONES_HZ, curves->thd_pct, curves->thd_uncertainty_pct, n_tones});
  add_curve(&sink, "h2_by_freq", "Hz", "dB",
            (curve_points){TONES_HZ, curves->h2_db, curves->h2_uncertainty_db, n_tones});
  add_curve(&sink, "h3_by_freq", "Hz", "dB",
            (curve_points){TONES_HZ, curves->h3_db, curves->h3_uncertainty_db, n_tones});
  return sink_status(&sink, err);
}

static rb_status analyse_channel(const rb_analysis *analysis, rb_capture *capture, unsigned channel,
                                 rb_arena *scratch, rb_results *results, rb_err *err)
{
  double *samples = NULL;
  by_frequency curves = {.thd_pct = {0}};
  RB_TRY(channel_samples(capture, channel, scratch, &samples, err));
  RB_TRY(judge_continuity(samples, capture->n_frames, capture->rate_hz, channel, 0, scratch,
                          &capture->health, err));
  if (!is_driven(analysis->drive, channel))
    return RB_OK;
  const double rate_hz = capture->rate_hz;
  const size_t n_tones = tones_below(rate_hz);
  const size_t segment = (size_t)lround(segment_s(analysis->signal) * rate_hz);
  const size_t settle =
      (size_t)lround((RB_EDGE_S + setting(analysis->signal, "settle_s")) * rate_hz);
  const size_t n = (size_t)lround(setting(analysis->signal, "duration_s") * rate_hz);
  // Frames may be a few short where the recorder's clock is slow: the last edge covers that.
  if (capture->n_frames < (n_tones - 1) * segment + settle + n)
    return rb_fail(err, RB_NO_SIGNAL, "The recording holds %.1f s; the tones take %.1f s.",
                   (double)capture->n_frames / rate_hz, (double)(n_tones * segment) / rate_hz);
  for (size_t tone = 0; tone < n_tones; tone++)
    RB_TRY(measure(analysis, samples + tone * segment + settle, n, rate_hz, tone, scratch, &curves,
                   err));
  return add_curves(analysis, channel, n_tones, &curves, results, err);
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return for_each_channel(analyse_channel, analysis, capture, results, err);
}

const rb_procedure rb_procedure_thd_by_frequency = {
    .name = "thd_by_frequency",
    .title = "Distortion by frequency",
    .summary = "total, second and third harmonic of tones from 21 Hz to 6 kHz",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};
