// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/tone.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const rb_parameter parameters[] = {
    {"frequency_hz", 20, 20000, 1000, "of the tone"},
    {"duration_s", 0.1, 10, 0.25, "what is analysed of each burst"},
    {"settle_s", 0.05, 10, 0.15, "played before that, and cut off"},
    {"stop_pct", 1, 30, 10, "distortion at which it stops"},
    {"most_step_db", 0.5, 10, 3, "the coarsest step"},
};

enum { MOST_STEPS = 32, HARMONICS = 5 };

static const double LEAST_STEP_DB = 0.5;
static const double KNEE_PCT = 0.7;        // gaps are closed where distortion passes this
static const double GROWTH_PER_STEP = 1.8; // distortion may grow so much from step to step
static const double HEADROOM = 0.9;        // of the recorder's full scale
static const double BELOW_DB = 2;          // a minimum counts when it is so deep on both sides

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(rb_procedure_find("ladder"), signal, name);
}

// ---- one step -----------------------------------------------------------------------------------

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  const double frequency_hz = setting(signal, "frequency_hz");
  if (frequency_hz > 0.2 * rate_hz)
    return rb_fail(err, RB_UNSUPPORTED,
                   "%s: harmonics of %g Hz need a sample rate of at least %.0f Hz.", signal->file,
                   frequency_hz, 5 * frequency_hz);
  RB_TRY(stimulus_new(setting(signal, "settle_s") + setting(signal, "duration_s") + 2 * RB_EDGE_S,
                      rate_hz, arena, stimulus, err));
  double *samples = drive == RB_RIGHT ? stimulus->right : stimulus->left;
  for (size_t i = 0; i < stimulus->n_frames; i++)
    samples[i] = sin(2 * RB_PI * fmod(frequency_hz * (double)i / rate_hz, 1));
  stimulus_drive(stimulus, drive, samples);
  return RB_OK;
}

static rb_status add_step(const rb_analysis *analysis, unsigned channel, const rb_tone *tone,
                          rb_results *results, rb_err *err)
{
  reading_sink sink = sink_for(analysis, results, channel);
  add_level(&sink, "level", tone->rms);
  add_pct(&sink, "thd", tone->thd_ratio);
  for (unsigned n = 2; n <= HARMONICS; n++) {
    char key[RB_KEY_SIZE];
    snprintf(key, sizeof key, "h%u", n);
    if (tone->harmonic[n].present)
      add_db(&sink, key, tone->harmonic[n].ratio);
  }
  rb_estimate h2_signed = tone->h2_signed_ratio;
  h2_signed.value *= polarity_of(analysis, channel);
  add_signed_pct(&sink, "h2_signed", h2_signed);
  return sink_status(&sink, err);
}

static rb_status analyse_channel(const rb_analysis *analysis, rb_capture *capture, unsigned channel,
                                 rb_arena *scratch, rb_results *results, rb_err *err)
{
  double *samples = NULL;
  const double frequency_hz = setting(analysis->signal, "frequency_hz");
  RB_TRY(channel_samples(capture, channel, scratch, &samples, err));
  const bool driven = is_driven(analysis->drive, channel);
  const size_t first =
      (size_t)lround((RB_EDGE_S + setting(analysis->signal, "settle_s")) * capture->rate_hz);
  const size_t wanted = (size_t)lround(setting(analysis->signal, "duration_s") * capture->rate_hz);
  if (capture->n_frames < first + wanted)
    return rb_fail(err, RB_NO_SIGNAL, "The recording holds %.2f s; a step takes %.2f s.",
                   (double)capture->n_frames / capture->rate_hz,
                   (double)(first + wanted) / capture->rate_hz);
  RB_TRY(judge_continuity(samples + first, wanted, capture->rate_hz, channel,
                          driven ? frequency_hz : 0, scratch, &capture->health, err));
  if (!driven)
    return RB_OK;
  rb_tone_options options = rb_tone_options_default();
  options.expected_hz = frequency_hz;
  options.mains_hz = analysis->mains_hz;
  options.band_high_hz = fmin(options.band_high_hz, 0.5 * capture->rate_hz);
  rb_tone tone;
  RB_TRY(rb_tone_analyse(samples + first, wanted, capture->rate_hz, &options, scratch, &tone, err));
  return add_step(analysis, channel, &tone, results, err);
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return for_each_channel(analyse_channel, analysis, capture, results, err);
}

// ---- the series so far --------------------------------------------------------------------------

typedef struct rung {
  double asked_w;
  double level, thd_pct, thd_uncertainty_pct;
  bool thd_resolved;
  double harmonic_db[HARMONICS + 1];
} rung;

typedef struct rungs {
  rung at[MOST_STEPS];
  size_t n;
} rungs;

/// The power in a condition of this series, "ladder 2.5 W"; 0 for any other condition.
static double asked_power(const rb_signal *signal, const char *condition)
{
  const size_t length = strlen(signal->name);
  if (strncmp(condition, signal->name, length) != 0 || condition[length] != ' ')
    return 0;
  char *end = NULL;
  const double power_w = strtod(condition + length + 1, &end);
  return end != NULL && strncmp(end, " W", 2) == 0 ? power_w : 0;
}

static double reading_value(const rb_results *results, const char *key, rb_channel channel,
                            const char *condition, double missing)
{
  const rb_reading *found = rb_results_find(results, key, channel, condition);
  return found ? found->value : missing;
}

static void enter_rung(const rb_results *results, const rb_reading *thd, double asked_w, rungs *r)
{
  size_t place = r->n++;
  for (; place > 0 && r->at[place - 1].asked_w > asked_w; place--)
    r->at[place] = r->at[place - 1];
  rung *next = &r->at[place];
  *next = (rung){.asked_w = asked_w,
                 .thd_pct = thd->value,
                 .thd_uncertainty_pct = thd->uncertainty,
                 .thd_resolved = thd->resolved,
                 .level = reading_value(results, "level", thd->channel, thd->condition, 0)};
  for (unsigned n = 2; n <= HARMONICS; n++) {
    char key[RB_KEY_SIZE];
    snprintf(key, sizeof key, "h%u", n);
    next->harmonic_db[n] = reading_value(results, key, thd->channel, thd->condition, -400);
  }
}

/// The steps of one channel, sorted by power.
static rungs rungs_of(const rb_analysis *analysis, const rb_results *results, rb_channel channel)
{
  rungs r = {.n = 0};
  for (size_t i = 0; i < results->n_readings && r.n < MOST_STEPS; i++) {
    const rb_reading *reading = &results->readings[i];
    if (reading->channel != channel || strcmp(reading->key, "thd") != 0)
      continue;
    const double asked_w = asked_power(analysis->signal, reading->condition);
    if (asked_w > 0)
      enter_rung(results, reading, asked_w, &r);
  }
  return r;
}

// ---- the next step ------------------------------------------------------------------------------

/// Step that lets distortion grow by GROWTH_PER_STEP, by its growth over the last one.
static double step_db(const rungs *r, double most_db)
{
  if (r->n < 2)
    return most_db;
  const rung *last = &r->at[r->n - 1], *before = last - 1;
  const double gone_db = 10 * log10(last->asked_w / before->asked_w);
  const double growth = log(last->thd_pct / fmax(before->thd_pct, 1e-9));
  if (!(growth > 0))
    return most_db;
  // The knee is steeper than what led to it: half of what the past allows, once it shows.
  const double allowed_db = log(GROWTH_PER_STEP) * gone_db / growth;
  return fmax(LEAST_STEP_DB, fmin(most_db, growth / gone_db > 0.3 ? 0.5 * allowed_db : allowed_db));
}

static double most_power(const rb_analysis *analysis, unsigned channel, const rung *last)
{
  double most_w = analysis->ceiling_w > 0 ? analysis->ceiling_w : HUGE_VAL;
  const double peak = analysis->drive_peak_fs[channel];
  if (peak > 0 && analysis->ceiling_peak_fs > 0)
    most_w = fmin(most_w, last->asked_w * pow(analysis->ceiling_peak_fs / peak, 2));
  // A clipped wave has no higher peak than the sine that made it, and rather a lower one.
  const double full_scale = analysis->load_vrms_per_fs[channel];
  if (full_scale > 0 && last->level > 0)
    most_w = fmin(most_w, last->asked_w * pow(HEADROOM * full_scale / last->level, 2));
  return most_w;
}

/// Power of the next step upward, or 0 where the climb is over.
static double climb(const rb_analysis *analysis, const rungs r[2])
{
  double wanted_db = setting(analysis->signal, "most_step_db"), most_w = HUGE_VAL, now_w = 0;
  for (unsigned c = 0; c < 2; c++) {
    if (r[c].n == 0)
      continue;
    const rung *last = &r[c].at[r[c].n - 1];
    now_w = last->asked_w;
    if (last->thd_pct >= setting(analysis->signal, "stop_pct"))
      return 0;
    wanted_db = fmin(wanted_db, step_db(&r[c], setting(analysis->signal, "most_step_db")));
    most_w = fmin(most_w, most_power(analysis, c, last));
  }
  const double wanted_w = fmin(now_w * pow(10, wanted_db / 10), most_w * (1 - 1e-5));
  return wanted_w > now_w * pow(10, 0.2 * LEAST_STEP_DB / 10) ? wanted_w : 0;
}

/// Between two steps over which distortion leapt: the knee. 0 where no gap is left.
static double refine(const rungs r[2])
{
  for (unsigned c = 0; c < 2; c++)
    for (size_t i = 1; i < r[c].n; i++) {
      const rung *low = &r[c].at[i - 1], *high = &r[c].at[i];
      if (high->thd_pct > KNEE_PCT && high->thd_pct > GROWTH_PER_STEP * low->thd_pct &&
          10 * log10(high->asked_w / low->asked_w) > LEAST_STEP_DB)
        return sqrt(low->asked_w * high->asked_w);
    }
  return 0;
}

static rb_status next(const rb_analysis *analysis, const rb_results *results, rb_step *step,
                      bool *more, rb_err *err)
{
  (void)err;
  rungs r[2] = {{.n = 0}, {.n = 0}};
  size_t n = 0;
  for (unsigned c = 0; c < 2; c++) {
    if (is_driven(analysis->drive, c))
      r[c] = rungs_of(analysis, results, (rb_channel)c);
    n = r[c].n > n ? r[c].n : n;
  }
  double wanted_w = n > 0 ? climb(analysis, r) : 0;
  if (n > 0 && !(wanted_w > 0))
    wanted_w = refine(r);
  *more = wanted_w > 0 && n < MOST_STEPS;
  if (!*more)
    return RB_OK;
  // The condition carries six digits: what is asked is what it says.
  char text[32];
  snprintf(text, sizeof text, "%.6g", wanted_w);
  step->power_w = strtod(text, NULL);
  return RB_OK;
}

// ---- what the whole series tells ----------------------------------------------------------------

/// Natural logarithm of the power at which distortion is exp(log_pct), between steps i−1 and i: a
/// parabola in logarithms through these and the one before, kept between the two.
static double log_power_between(const rungs *r, const double *power_w, size_t i, double log_pct)
{
  double x[3], y[3];
  for (size_t k = 0; k < 3; k++) {
    const size_t at = i >= 2 ? i - 2 + k : i - 1 + (k > 0);
    x[k] = log(r->at[at].thd_pct);
    y[k] = log(power_w[at]);
  }
  const double slope = (y[2] - y[1]) / (x[2] - x[1]);
  double value = y[1] + slope * (log_pct - x[1]);
  if (i >= 2 && x[0] < x[1]) {
    const double bend = (slope - (y[1] - y[0]) / (x[1] - x[0])) / (x[2] - x[0]);
    value += bend * (log_pct - x[1]) * (log_pct - x[2]);
  }
  return fmin(y[2], fmax(y[1], value));
}

/// Power where distortion passes `pct` for the last time.
static bool power_at(const rungs *r, const double *power_w, double pct, rb_estimate *found)
{
  for (size_t i = r->n; i-- > 1;) {
    const rung *low = &r->at[i - 1], *high = &r->at[i];
    if (!(low->thd_pct < pct && high->thd_pct >= pct))
      continue;
    const double slope = log(power_w[i] / power_w[i - 1]) / log(high->thd_pct / low->thd_pct);
    const double value_w = exp(log_power_between(r, power_w, i, log(pct)));
    const double relative =
        hypot(low->thd_uncertainty_pct, high->thd_uncertainty_pct) / pct * fabs(slope);
    *found = (rb_estimate){.value = value_w, .uncertainty = relative * value_w, .resolved = true};
    return true;
  }
  return false;
}

static void add_powers(reading_sink *sink, const rungs *r, const double *power_w)
{
  static const struct {
    const char *key;
    double pct;
  } LIMITS[] = {{"power_1pct", 1}, {"power_3pct", 3}, {"power_5pct", 5}, {"power_10pct", 10}};
  for (size_t i = 0; i < RB_LEN(LIMITS); i++) {
    rb_estimate found;
    if (power_at(r, power_w, LIMITS[i].pct, &found))
      add_plain(sink, LIMITS[i].key, "W", found);
  }
}

/// The first minimum of the third harmonic over level that is deep on both sides: below it both
/// tubes of a pair work all the time (common practice, no source).
static void add_class_a_end(reading_sink *sink, const rungs *r, const double *power_w)
{
  double highest_db = -400;
  for (size_t i = 0; i + 1 < r->n; i++) {
    const double here_db = r->at[i].harmonic_db[3];
    highest_db = fmax(highest_db, here_db);
    double after_db = -400;
    size_t k = i + 1;
    for (; k < r->n && r->at[k].harmonic_db[3] > here_db; k++)
      after_db = fmax(after_db, r->at[k].harmonic_db[3]);
    if (r->at[i].thd_pct > 1)
      return; // clipping moves the harmonics about
    if (highest_db < here_db + BELOW_DB || after_db < here_db + BELOW_DB)
      continue;
    const double step = i > 0 ? power_w[i] / power_w[i - 1] : 2;
    add_plain(sink, "class_a_end", "W",
              (rb_estimate){.value = power_w[i],
                            .uncertainty = power_w[i] * (step - 1) / sqrt(12),
                            .resolved = true});
    return;
  }
}

static void add_curves(reading_sink *sink, const rungs *r, const double *x, const char *x_unit)
{
  double y[MOST_STEPS], uncertainty[MOST_STEPS];
  for (size_t i = 0; i < r->n; i++) {
    y[i] = r->at[i].thd_pct;
    uncertainty[i] = r->at[i].thd_uncertainty_pct;
  }
  add_curve(sink, "thd_by_level", x_unit, "%", (curve_points){x, y, uncertainty, r->n});
  for (unsigned n = 2; n <= HARMONICS; n++) {
    char key[RB_KEY_SIZE];
    snprintf(key, sizeof key, "h%u_by_level", n);
    for (size_t i = 0; i < r->n; i++)
      y[i] = r->at[i].harmonic_db[n];
    add_curve(sink, key, x_unit, "dB", (curve_points){x, y, NULL, r->n});
  }
}

/// The steps' own readings give way to curves: their levels depend on the run, so they would find
/// no partner to be compared with.
static void drop_steps(const rb_analysis *analysis, rb_results *results)
{
  size_t kept = 0;
  for (size_t i = 0; i < results->n_readings; i++)
    if (!(asked_power(analysis->signal, results->readings[i].condition) > 0))
      results->readings[kept++] = results->readings[i];
  results->n_readings = kept;
}

static rb_status finish(const rb_analysis *analysis, rb_results *results, rb_err *err)
{
  char condition[RB_CONDITION_SIZE];
  rb_condition(condition, analysis->signal->name, -1, analysis->drive);
  rb_analysis whole = *analysis;
  whole.condition = condition;
  for (unsigned c = 0; c < 2; c++) {
    if (!is_driven(analysis->drive, c))
      continue;
    const rungs r = rungs_of(analysis, results, (rb_channel)c);
    const bool volts = analysis->load_vrms_per_fs[c] > 0 && analysis->load_ohm > 0;
    double x[MOST_STEPS];
    for (size_t i = 0; i < r.n; i++)
      x[i] = volts ? rb_watts(r.at[i].level, analysis->load_ohm) : r.at[i].level;
    reading_sink sink = sink_for(&whole, results, c);
    if (volts) {
      add_powers(&sink, &r, x);
      add_class_a_end(&sink, &r, x);
    }
    add_curves(&sink, &r, x, volts ? "W" : "dBFS");
    RB_TRY(sink_status(&sink, err));
  }
  drop_steps(analysis, results);
  return RB_OK;
}

const rb_procedure rb_procedure_ladder = {
    .name = "ladder",
    .title = "Level ladder",
    .summary = "distortion from quiet to clipping: power at 1, 3, 5 and 10 %, harmonics by level",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
    .next = next,
    .finish = finish,
};
