// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/spectrum.h"
#include "rollbook/dsp/tone.h"

#include <math.h>
#include <stdio.h>

static const rb_parameter parameters[] = {
    {"frequency_hz", 5, 90000, 1000, "of the sine"},
    {"duration_s", 0.2, 600, 5, "what is analysed"},
    {"settle_s", 0, 60, 0.5, "played before that, and cut off"},
    {"band_low_hz", 1, 1000, 20, "lower edge of noise and THD+N"},
    {"band_high_hz", 1000, 90000, 20000, "upper edge of noise and THD+N"},
};

static double setting(const rb_signal *signal, const char *name);

// ---- planning -----------------------------------------------------------------------------------

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  const double frequency_hz = setting(signal, "frequency_hz");
  const double duration_s = setting(signal, "settle_s") + setting(signal, "duration_s");
  if (frequency_hz > 0.45 * rate_hz)
    return rb_fail(err, RB_UNSUPPORTED,
                   "%s: %g Hz needs a sample rate of at least %.0f Hz; the bench runs at %.0f Hz.",
                   signal->file, frequency_hz, frequency_hz / 0.45, rate_hz);
  RB_TRY(stimulus_new(duration_s + 2 * RB_EDGE_S, rate_hz, arena, stimulus, err));
  double *sine = drive == RB_RIGHT ? stimulus->right : stimulus->left;
  for (size_t i = 0; i < stimulus->n_frames; i++)
    sine[i] = sin(2 * RB_PI * fmod(frequency_hz * (double)i / rate_hz, 1.0));
  stimulus_drive(stimulus, drive, sine);
  return RB_OK;
}

// ---- which frames -------------------------------------------------------------------------------

typedef struct span {
  size_t first, n;
} span;

static span span_played(const rb_analysis *analysis, const rb_capture *capture)
{
  const double before_s = RB_EDGE_S + setting(analysis->signal, "settle_s");
  const size_t first = (size_t)lround(before_s * capture->rate_hz);
  const size_t wanted = (size_t)lround(setting(analysis->signal, "duration_s") * capture->rate_hz);
  const size_t there = capture->n_frames > first ? capture->n_frames - first : 0;
  return (span){.first = first, .n = wanted < there ? wanted : there};
}

static double loudest_of(const float *samples, size_t n)
{
  float peak = 0;
  for (size_t i = 0; i < n; i++)
    peak = fabsf(samples[i]) > peak ? fabsf(samples[i]) : peak;
  return (double)peak;
}

// A file from outside may begin and end with silence: blocks of 50 ms whose peak is under half the
// loudest are cut off at both ends, and one block more. A gap within stays, to be found as a break.
static span span_of_file(const rb_capture *capture)
{
  const size_t block = (size_t)(0.05 * capture->rate_hz) + 1;
  const size_t n_blocks = capture->n_frames / block, channels = capture->n_channels;
  const double enough = 0.5 * loudest_of(capture->frames, capture->n_frames * channels);
  size_t first = n_blocks, last = 0;
  for (size_t b = 0; b < n_blocks; b++) {
    if (loudest_of(capture->frames + b * block * channels, block * channels) < enough)
      continue;
    first = b < first ? b : first;
    last = b;
  }
  if (n_blocks < 8 || first > last)
    return (span){.first = 0, .n = capture->n_frames};
  const size_t start = first == 0 ? 0 : (first + 1) * block;
  const size_t end = last + 1 == n_blocks ? capture->n_frames : last * block;
  return end > start ? (span){.first = start, .n = end - start}
                     : (span){.first = 0, .n = capture->n_frames};
}

static span span_of(const rb_analysis *analysis, const rb_capture *capture)
{
  const bool framed = analysis->played || analysis->located;
  return framed ? span_played(analysis, capture) : span_of_file(capture);
}

// ---- readings -----------------------------------------------------------------------------------

static void add_harmonics(reading_sink *sink, const rb_tone *tone)
{
  for (unsigned n = 2; n <= RB_TONE_HARMONICS; n++) {
    if (!tone->harmonic[n].present)
      continue;
    char key[RB_KEY_SIZE];
    snprintf(key, sizeof key, "h%u", n);
    add_db(sink, key, tone->harmonic[n].ratio);
    // Turning the wave over turns every even harmonic by half a turn against the fundamental.
    rb_estimate phase_deg = tone->harmonic[n].phase_deg;
    if (n % 2 == 0 && polarity_of(sink->analysis, sink->channel) < 0)
      phase_deg.value = rb_fold_deg(phase_deg.value + 180);
    phase_deg.uncertainty = fmin(phase_deg.uncertainty, 360 / sqrt(12)); // any angle at all
    snprintf(key, sizeof key, "h%u_phase", n);
    add_plain(sink, key, "deg", phase_deg);
  }
}

static void add_sums(reading_sink *sink, const rb_tone *tone)
{
  rb_estimate h2_signed = tone->h2_signed_ratio;
  h2_signed.value *= polarity_of(sink->analysis, sink->channel);
  add_pct(sink, "thd", tone->thd_ratio);
  add_pct(sink, "thd_n", tone->thd_n_ratio);
  add_plain(sink, "sinad", "dB", tone->sinad_db);
  add_signed_pct(sink, "h2_signed", h2_signed);
  add_pct(sink, "even_sum", tone->even_ratio);
  add_pct(sink, "odd_sum", tone->odd_ratio);
}

static void add_noise(reading_sink *sink, const rb_tone *tone)
{
  add_level(sink, "noise", tone->noise_rms);
  if (tone->mains_found) {
    add_plain(sink, "mains_freq", "Hz", tone->mains_hz);
    add_pct(sink, "hum_on_tone", tone->hum_on_tone_ratio);
  }
  for (unsigned k = 1; k <= RB_TONE_HUM_LINES; k++) {
    if (!tone->hum[k].present)
      continue;
    char key[RB_KEY_SIZE];
    rb_estimate rms = tone->hum[k].amplitude;
    rms.value /= sqrt(2);
    rms.uncertainty /= sqrt(2);
    rms.floor /= sqrt(2);
    snprintf(key, sizeof key, "hum_%ux", k);
    add_level(sink, key, rms);
  }
}

enum { SPECTRUM_POINTS = 1200 };

static void add_spectrum(reading_sink *sink, const double *samples, size_t n, double rate_hz,
                         rb_arena *scratch)
{
  rb_display_spectrum shown;
  if (sink->status != RB_OK)
    return;
  sink->status =
      rb_spectrum_display(samples, n, rate_hz, 10, 0.5 * rate_hz, SPECTRUM_POINTS, scratch, &shown);
  if (sink->status == RB_OK)
    add_level_curve(sink, "spectrum", shown.frequency_hz, shown.rms, shown.n, scratch);
}

static rb_status add_all(const rb_analysis *analysis, unsigned channel, const rb_tone *tone,
                         rb_results *results, rb_err *err)
{
  reading_sink sink = sink_for(analysis, results, channel);
  add_level(&sink, "level", tone->rms);
  add_plain(&sink, "freq", "Hz", tone->frequency_hz);
  add_gain(&sink, tone->rms);
  add_sums(&sink, tone);
  add_harmonics(&sink, tone);
  add_noise(&sink, tone);
  return sink_status(&sink, err);
}

// ---- a capture ----------------------------------------------------------------------------------

typedef struct heard_channel {
  double *samples;
  size_t n;
  rb_tone tone;
  bool has_tone;
} heard_channel;

// A tone in a channel that was not driven, or a silent channel of a file from outside, is no error.
static bool may_be_silent(const rb_analysis *analysis, unsigned channel)
{
  return !is_driven(analysis->drive, channel) || !analysis->played;
}

static rb_status listen(const rb_analysis *analysis, rb_capture *capture, unsigned channel,
                        rb_arena *scratch, heard_channel *heard, rb_err *err)
{
  const double frequency_hz = setting(analysis->signal, "frequency_hz");
  const span part = span_of(analysis, capture);
  double *all = NULL;
  RB_TRY(channel_samples(capture, channel, scratch, &all, err));
  heard->samples = all + (part.first < capture->n_frames ? part.first : 0);
  heard->n = part.n;
  const bool driven = is_driven(analysis->drive, channel);
  RB_TRY(judge_continuity(heard->samples, heard->n, capture->rate_hz, channel,
                          driven ? frequency_hz : 0, scratch, &capture->health, err));
  rb_tone_options options = rb_tone_options_default();
  options.expected_hz = frequency_hz;
  options.mains_hz = analysis->mains_hz;
  options.band_low_hz = setting(analysis->signal, "band_low_hz");
  options.band_high_hz = fmin(setting(analysis->signal, "band_high_hz"), 0.5 * capture->rate_hz);
  rb_status status = rb_tone_analyse(heard->samples, heard->n, capture->rate_hz, &options, scratch,
                                     &heard->tone, err);
  heard->has_tone = status == RB_OK;
  if (status == RB_NO_SIGNAL && may_be_silent(analysis, channel))
    return RB_OK;
  if (status != RB_OK)
    return rb_fail_within(err, status, "%s, %s channel", analysis->condition,
                          rb_channel_name((rb_channel)channel));
  return RB_OK;
}

// How little the channel that was not driven hears of the other one, positive dB.
static rb_status add_separation(const rb_analysis *analysis, const heard_channel heard[2],
                                rb_results *results, rb_err *err)
{
  const unsigned quiet = analysis->drive == RB_LEFT ? 1 : 0;
  if (analysis->drive == RB_BOTH || !heard[0].has_tone || !heard[1].has_tone)
    return RB_OK;
  const rb_estimate leak = heard[quiet].tone.amplitude, driven = heard[1 - quiet].tone.amplitude;
  double scale = 1;
  if (analysis->load_vrms_per_fs[0] > 0 && analysis->load_vrms_per_fs[1] > 0)
    scale = analysis->load_vrms_per_fs[1 - quiet] / analysis->load_vrms_per_fs[quiet];
  const rb_estimate separation_db = {
      .value = rb_db_from_ratio(scale * driven.value / leak.value),
      .uncertainty =
          20 / log(10) * hypot(leak.uncertainty / leak.value, driven.uncertainty / driven.value),
      .resolved = leak.resolved};
  reading_sink sink = sink_for(analysis, results, quiet);
  add_plain(&sink, "separation", "dB", separation_db);
  return sink_status(&sink, err);
}

static rb_status add_heard(const rb_analysis *analysis, const rb_capture *capture,
                           const heard_channel heard[2], rb_arena *scratch, rb_results *results,
                           rb_err *err)
{
  for (unsigned c = 0; c < capture->n_channels && c < 2; c++) {
    if (!heard[c].has_tone || !is_driven(analysis->drive, c))
      continue;
    RB_TRY(add_all(analysis, c, &heard[c].tone, results, err));
    reading_sink sink = sink_for(analysis, results, c);
    add_spectrum(&sink, heard[c].samples, heard[c].n, capture->rate_hz, scratch);
    RB_TRY(sink_status(&sink, err));
  }
  return add_separation(analysis, heard, results, err);
}

static rb_status analyse_in(const rb_analysis *analysis, rb_capture *capture, rb_arena *scratch,
                            rb_results *results, rb_err *err)
{
  heard_channel heard[2] = {{.has_tone = false}, {.has_tone = false}};
  capture->health.usable = true;
  rb_status status = RB_OK;
  for (unsigned c = 0; c < capture->n_channels && c < 2; c++) {
    rb_status of_channel = listen(analysis, capture, c, scratch, &heard[c], status ? NULL : err);
    status =
        status == RB_OK ? of_channel : status; // the other channel's health counts all the same
  }
  RB_TRY(status);
  if (!heard[0].has_tone && !heard[1].has_tone)
    return rb_fail(err, RB_NO_SIGNAL, "No tone near %g Hz was found.",
                   setting(analysis->signal, "frequency_hz"));
  return add_heard(analysis, capture, heard, scratch, results, err);
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return with_scratch(analyse_in, analysis, capture, results, err);
}

const rb_procedure rb_procedure_tone = {
    .name = "tone",
    .title = "Steady tone",
    .summary = "level, harmonics with their angles, distortion, noise and hum of a sine",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(&rb_procedure_tone, signal, name);
}
