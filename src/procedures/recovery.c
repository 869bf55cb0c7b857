// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"

#include "rollbook/base/units.h"

#include <complex.h>
#include <math.h>

/// A quiet probe tone, a loud burst, the probe again: how far gain dips behind an overload and when
/// it is back. A coupling capacitor charged by grid current shows so (common practice, no source).

static const rb_parameter parameters[] = {
    {"frequency_hz", 300, 5000, 1000, "of probe and burst"},
    {"probe_db", -60, -6, -26, "of the probe under the burst"},
    {"before_s", 0.2, 10, 0.5, "of probe before the burst"},
    {"burst_s", 0.05, 5, 0.3, "of burst"},
    {"after_s", 0.3, 30, 1.5, "of probe after it"},
};

static const double BACK_DB = 0.1; // gain counts as back within this
static const double BLOCK_S = 0.010;
static const double NOISE_SPREADS = 5;         // of some hundred blocks the noisiest stays within
enum { MOST_BLOCKS = 4096, BLOCKS_BLIND = 2 }; // the burst's own edge and the amplifier's delay

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(rb_procedure_find("recovery"), signal, name);
}

static double envelope(const rb_signal *signal, double t)
{
  const double start_s = RB_EDGE_S + setting(signal, "before_s");
  const double end_s = start_s + setting(signal, "burst_s");
  return t >= start_s && t < end_s ? 1 : rb_ratio_from_db(setting(signal, "probe_db"));
}

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  const double duration_s = setting(signal, "before_s") + setting(signal, "burst_s") +
                            setting(signal, "after_s") + 2 * RB_EDGE_S;
  const double frequency_hz = setting(signal, "frequency_hz");
  RB_TRY(stimulus_new(duration_s, rate_hz, arena, stimulus, err));
  double *samples = drive == RB_RIGHT ? stimulus->right : stimulus->left;
  for (size_t i = 0; i < stimulus->n_frames; i++) {
    const double t = (double)i / rate_hz;
    samples[i] = envelope(signal, t) * sin(2 * RB_PI * fmod(frequency_hz * t, 1));
  }
  stimulus_drive(stimulus, drive, samples);
  return RB_OK;
}

// ---- the probe's gain over time -----------------------------------------------------------------

/// Amplitude of the tone in a block, Hann-weighted: what drifts slowly stays out of it.
static double block_amplitude(const double *samples, size_t n, double cycles_per_sample)
{
  double real = 0, imaginary = 0;
  for (size_t i = 0; i < n; i++) {
    const double weight = 1 - cos(2 * RB_PI * ((double)i + 0.5) / (double)n);
    const double turn_rad = 2 * RB_PI * cycles_per_sample * (double)i;
    real += weight * samples[i] * cos(turn_rad);
    imaginary += weight * samples[i] * sin(turn_rad);
  }
  return 2 * hypot(real, imaginary) / (double)n;
}

typedef struct probe {
  double time_ms[MOST_BLOCKS], gain_db[MOST_BLOCKS], noise_db[MOST_BLOCKS];
  size_t n;
} probe;

/// Mean and spread of the probe before the burst.
static void before_burst(const double *samples, size_t n, size_t block, double cycles_per_sample,
                         double *mean, double *spread)
{
  double sum = 0, squares = 0;
  size_t blocks = 0;
  // The first half lets the amplifier settle.
  for (size_t at = n / 2; at + block <= n; at += block) {
    const double amplitude = block_amplitude(samples + at, block, cycles_per_sample);
    sum += amplitude;
    squares += amplitude * amplitude;
    blocks++;
  }
  *mean = blocks > 0 ? sum / (double)blocks : 0;
  const double variance = blocks > 1 ? squares / (double)blocks - *mean * *mean : 0;
  *spread = sqrt(fmax(0, variance));
}

static bool follow(const rb_signal *signal, const double *samples, size_t n, double rate_hz,
                   probe *p)
{
  const double cycles_per_sample = setting(signal, "frequency_hz") / rate_hz;
  const double periods = round(BLOCK_S * setting(signal, "frequency_hz"));
  const size_t block = (size_t)lround(fmax(3, periods) / cycles_per_sample);
  const size_t start = (size_t)lround((RB_EDGE_S + setting(signal, "before_s")) * rate_hz);
  const size_t end = start + (size_t)lround(setting(signal, "burst_s") * rate_hz);
  const size_t edge = (size_t)lround(RB_EDGE_S * rate_hz);
  double mean = 0, spread = 0;
  if (n <= end + edge)
    return false;
  before_burst(samples, start, block, cycles_per_sample, &mean, &spread);
  if (!(mean > 5 * spread))
    return false;
  p->n = 0;
  for (size_t at = end + BLOCKS_BLIND * block / 2; at + block + edge <= n && p->n < MOST_BLOCKS;
       at += block / 2) {
    const double amplitude = block_amplitude(samples + at, block, cycles_per_sample);
    p->time_ms[p->n] = 1000 * ((double)(at - end) + 0.5 * (double)block) / rate_hz;
    p->noise_db[p->n] = 20 / log(10) * spread / mean;
    p->gain_db[p->n++] = rb_db_from_ratio(amplitude / mean);
  }
  return p->n > 0;
}

static void add_recovery(reading_sink *sink, const probe *p)
{
  double dip_db = 0, back_ms = 0;
  for (size_t i = 0; i < p->n; i++) {
    dip_db = fmax(dip_db, -p->gain_db[i]);
    if (fabs(p->gain_db[i]) > fmax(BACK_DB, NOISE_SPREADS * p->noise_db[i]))
      back_ms = i + 1 < p->n ? p->time_ms[i + 1] : p->time_ms[i];
  }
  const double noise_db = p->noise_db[0];
  rb_estimate dip = {.value = dip_db, .uncertainty = noise_db, .floor = NOISE_SPREADS * noise_db};
  dip.resolved = dip.value > dip.floor;
  dip.value = dip.resolved ? dip.value : rb_estimate_upper(&dip);
  add_plain(sink, "recovery_dip", "dB", dip);
  const double step_s = 0.5 * BLOCK_S;
  rb_estimate back = {.value = fmax(back_ms, p->time_ms[0]) / 1000,
                      .uncertainty = step_s,
                      .floor = p->time_ms[0] / 1000,
                      .resolved = back_ms > 0};
  add_plain(sink, "recovery_time", "s", back);
  add_curve(sink, "recovery_gain", "ms", "dB",
            (curve_points){p->time_ms, p->gain_db, p->noise_db, p->n});
}

static rb_status analyse_in(const rb_analysis *analysis, rb_capture *capture, rb_arena *scratch,
                            rb_results *results, rb_err *err)
{
  capture->health.usable = true;
  probe *p = rb_arena_alloc(scratch, 1, sizeof *p);
  if (!p)
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  for (unsigned c = 0; c < capture->n_channels && c < 2; c++) {
    double *samples = NULL;
    RB_TRY(channel_samples(capture, c, scratch, &samples, err));
    RB_TRY(judge_continuity(samples, capture->n_frames, capture->rate_hz, c, 0, scratch,
                            &capture->health, err));
    if (!is_driven(analysis->drive, c))
      continue;
    if (!follow(analysis->signal, samples, capture->n_frames, capture->rate_hz, p))
      return rb_fail(err, RB_NO_SIGNAL, "The probe tone was not found on %s.",
                     rb_channel_name((rb_channel)c));
    reading_sink sink = sink_for(analysis, results, c);
    add_recovery(&sink, p);
    RB_TRY(sink_status(&sink, err));
  }
  return RB_OK;
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return with_scratch(analyse_in, analysis, capture, results, err);
}

const rb_procedure rb_procedure_recovery = {
    .name = "recovery",
    .title = "Recovery after overload",
    .summary = "gain of a quiet tone right after a loud burst: how far it dips, when it is back",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};
