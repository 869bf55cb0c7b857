// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/continuity.h"

#include <math.h>
#include <string.h>

// ---- planning -----------------------------------------------------------------------------------

rb_status stimulus_new(double duration_s, double rate_hz, rb_arena *arena, rb_stimulus *stimulus,
                       rb_err *err)
{
  const size_t n = (size_t)lround(duration_s * rate_hz);
  *stimulus = (rb_stimulus){.left = rb_arena_doubles(arena, n),
                            .right = rb_arena_doubles(arena, n),
                            .n_frames = n,
                            .rate_hz = rate_hz};
  if (!stimulus->left || !stimulus->right)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a signal of %.0f s.", duration_s);
  return RB_OK;
}

bool is_driven(rb_channel drive, unsigned channel)
{
  return drive == RB_BOTH || drive == (rb_channel)channel;
}

void stimulus_drive(rb_stimulus *stimulus, rb_channel drive, const double *samples)
{
  double *const target[2] = {stimulus->left, stimulus->right};
  for (unsigned c = 0; c < 2; c++)
    if (is_driven(drive, c) && target[c] != samples)
      memcpy(target[c], samples, stimulus->n_frames * sizeof *samples);
}

// ---- judging a capture --------------------------------------------------------------------------

static void enter(const rb_continuity *found, rb_health *health)
{
  health->clipped_frames += found->clipped_frames;
  if (found->lost_frames > health->lost_frames)
    health->lost_frames = found->lost_frames;
  if (found->discontinuities > health->discontinuities)
    health->discontinuities = found->discontinuities;
  health->usable = health->usable && found->usable;
}

static rb_status refuse(const rb_continuity *found, double rate_hz, const char *channel,
                        rb_err *err)
{
  if (found->not_finite)
    return rb_fail(
        err, RB_FORMAT,
        "The %s channel holds %zu samples that are no numbers; the recording is damaged.", channel,
        found->not_finite);
  if (found->clipped_frames)
    return rb_fail(
        err, RB_CLIPPED,
        "The %s channel clipped in %zu frames at %.1f dBFS, so nothing was read from it. "
        "Turn the input down or attenuate more, then record again.",
        channel, found->clipped_frames, rb_db_from_ratio(found->clip_value));
  const double where_s = found->n_breaks ? (double)found->breaks[0].frame / rate_hz : 0;
  return rb_fail(
      err, RB_LOST_FRAMES,
      "The %s channel breaks off %zu times (about %zu frames lost; first near %.2f s), so "
      "nothing was read from it. Close what else uses the sound card, or give it larger "
      "buffers, then record again.",
      channel, found->discontinuities, found->lost_frames, where_s);
}

rb_status judge_continuity(const double *samples, size_t n, double rate_hz, unsigned channel,
                           double tone_hz, rb_arena *scratch, rb_health *health, rb_err *err)
{
  rb_continuity found;
  rb_status status = rb_continuity_check(samples, n, rate_hz, tone_hz, scratch, &found);
  if (status != RB_OK)
    return rb_fail(err, status, "Checking the recording failed: %s.", rb_status_text(status));
  enter(&found, health);
  return found.usable ? RB_OK : refuse(&found, rate_hz, rb_channel_name((rb_channel)channel), err);
}

// ---- adding readings ----------------------------------------------------------------------------

reading_sink sink_for(const rb_analysis *analysis, rb_results *results, unsigned channel)
{
  return (reading_sink){.analysis = analysis, .results = results, .channel = channel};
}

rb_status sink_status(const reading_sink *sink, rb_err *err)
{
  if (sink->status == RB_OK)
    return RB_OK;
  return rb_fail(err, sink->status, "Keeping the readings failed: %s.",
                 rb_status_text(sink->status));
}

static void add(reading_sink *sink, const char *key, const char *unit, const rb_estimate *estimate)
{
  if (sink->status != RB_OK)
    return;
  rb_reading reading = {.channel = (rb_channel)sink->channel,
                        .value = estimate->value,
                        .uncertainty = estimate->uncertainty,
                        .floor = estimate->floor,
                        .resolved = estimate->resolved};
  rb_text_copy(reading.key, sizeof reading.key, key);
  rb_text_copy(reading.unit, sizeof reading.unit, unit);
  rb_text_copy(reading.condition, sizeof reading.condition, sink->analysis->condition);
  sink->status = rb_results_add(sink->results, &reading);
}

// The bench's own reading for the same thing in the same unit, or NULL. What it reads, or could not
// tell from nothing, the amplifier's reading cannot fall below.
static const rb_reading *bench_floor(const reading_sink *sink, const char *key, const char *unit)
{
  const rb_analysis *analysis = sink->analysis;
  for (size_t i = 0; i < analysis->n_bench_floors; i++) {
    const rb_reading *floor = &analysis->bench_floors[i];
    if (floor->channel == (rb_channel)sink->channel && strcmp(floor->key, key) == 0 &&
        strcmp(floor->unit, unit) == 0 && strcmp(floor->condition, analysis->condition) == 0)
      return floor;
  }
  return NULL;
}

// A frame is a float32: what lies a rounding below the signal is not told from the rounding,
// however long it is averaged (a tone without noise rounds the same way in each period).
static const double rounding_ratio = 0x1p-25;

static rb_estimate rounded_size(rb_estimate size)
{
  size.uncertainty = hypot(size.uncertainty, rounding_ratio * size.value);
  return size;
}

// Of a share of the signal.
static rb_estimate rounded_share(rb_estimate ratio)
{
  ratio.uncertainty = hypot(ratio.uncertainty, rounding_ratio);
  if (ratio.floor > 0)
    ratio.floor = fmax(ratio.floor, rounding_ratio);
  return ratio;
}

// The size with its final floor; where it is not above, the bound that holds with 95 % confidence.
static rb_estimate published(rb_estimate size, double bench_size)
{
  if (bench_size > size.floor)
    size.floor = bench_size;
  size.resolved = size.resolved && size.value > size.floor;
  if (!size.resolved)
    size.value = rb_estimate_upper(&size);
  return size;
}

static rb_estimate in_db(rb_estimate size, double (*to_db)(double))
{
  const double slope_db = 20 / log(10);
  return (rb_estimate){.value = to_db(size.value),
                       .uncertainty = size.value > 0 ? slope_db * size.uncertainty / size.value : 0,
                       .floor = to_db(size.floor),
                       .resolved = size.resolved};
}

static rb_estimate times(rb_estimate size, double factor)
{
  return (rb_estimate){.value = factor * size.value,
                       .uncertainty = factor * size.uncertainty,
                       .floor = factor * size.floor,
                       .resolved = size.resolved};
}

// Volts at the load for a sample rms of 1; 0 where the bench is not calibrated. A sine of peak 1
// has rms 1/√2 and is 0 dBFS.
static double volts_per_rms(const reading_sink *sink)
{
  return sqrt(2) * sink->analysis->load_vrms_per_fs[sink->channel];
}

void add_level(reading_sink *sink, const char *key, rb_estimate rms)
{
  const double volts = volts_per_rms(sink);
  const char *unit = volts > 0 ? "V" : "dBFS";
  const rb_reading *floor = bench_floor(sink, key, unit);
  rb_estimate size = times(rounded_size(rms), volts > 0 ? volts : 1);
  double floor_size = floor ? floor->value : 0;
  if (floor && !(volts > 0))
    floor_size = rb_ratio_from_db(floor->value) / sqrt(2);
  size = published(size, floor_size);
  if (!(volts > 0))
    size = in_db(size, rb_dbfs_from_rms);
  if (rms.floor <= 0 && !floor)
    size.floor = 0; // a quantity without a floor has none in dB either
  add(sink, key, unit, &size);
}

void add_pct(reading_sink *sink, const char *key, rb_estimate ratio)
{
  const rb_reading *floor = bench_floor(sink, key, "%");
  const rb_estimate size = published(times(rounded_share(ratio), 100), floor ? floor->value : 0);
  add(sink, key, "%", &size);
}

void add_db(reading_sink *sink, const char *key, rb_estimate ratio)
{
  const rb_reading *floor = bench_floor(sink, key, "dB");
  const rb_estimate size =
      published(rounded_share(ratio), floor ? rb_ratio_from_db(floor->value) : 0);
  const rb_estimate size_db = in_db(size, rb_db_from_ratio);
  add(sink, key, "dB", &size_db);
}

void add_signed_pct(reading_sink *sink, const char *key, rb_estimate ratio)
{
  const rb_reading *floor = bench_floor(sink, key, "%");
  const double sign = ratio.value < 0 ? -1 : 1;
  ratio.value *= sign;
  rb_estimate size = published(times(rounded_share(ratio), 100), floor ? fabs(floor->value) : 0);
  if (size.resolved)
    size.value *= sign;
  add(sink, key, "%", &size);
}

void add_plain(reading_sink *sink, const char *key, const char *unit, rb_estimate estimate)
{
  add(sink, key, unit, &estimate);
}

void add_gain(reading_sink *sink, rb_estimate rms)
{
  const rb_analysis *analysis = sink->analysis;
  const double volts = volts_per_rms(sink);
  const double drive_vrms = analysis->drive_vrms[sink->channel];
  const double drive_peak = analysis->drive_peak_fs[sink->channel];
  double over = 0;
  const char *unit = "dB";
  if (volts > 0 && drive_vrms > 0)
    over = volts / drive_vrms;
  else if (volts > 0 && drive_peak > 0) {
    over = volts / drive_peak;
    unit = "dBV/FS";
  } else if (drive_peak > 0)
    over = sqrt(2) / drive_peak;
  if (over <= 0)
    return;
  rb_estimate gain_db = in_db(times(rounded_size(rms), over), rb_db_from_ratio);
  gain_db.floor = 0;
  add(sink, "gain", unit, &gain_db);
}

void add_curve(reading_sink *sink, const char *key, const char *x_unit, const char *y_unit,
               curve_points points)
{
  if (sink->status != RB_OK)
    return;
  rb_curve curve = {.channel = (rb_channel)sink->channel,
                    .x = points.x,
                    .y = points.y,
                    .uncertainty = points.uncertainty,
                    .n = points.n};
  rb_text_copy(curve.key, sizeof curve.key, key);
  rb_text_copy(curve.x_unit, sizeof curve.x_unit, x_unit);
  rb_text_copy(curve.y_unit, sizeof curve.y_unit, y_unit);
  rb_text_copy(curve.condition, sizeof curve.condition, sink->analysis->condition);
  sink->status = rb_results_add_curve(sink->results, &curve);
}

void add_level_curve(reading_sink *sink, const char *key, const double *frequency_hz,
                     const double *rms, size_t n, rb_arena *scratch)
{
  const double volts = volts_per_rms(sink);
  double *level_db = rb_arena_doubles(scratch, n);
  if (!level_db)
    sink->status = RB_NO_MEM;
  if (sink->status != RB_OK)
    return;
  for (size_t i = 0; i < n; i++)
    level_db[i] = volts > 0 ? rb_db_from_ratio(volts * rms[i]) : rb_dbfs_from_rms(rms[i]);
  add_curve(sink, key, "Hz", volts > 0 ? "dBV" : "dBFS",
            (curve_points){.x = frequency_hz, .y = level_db, .n = n});
}

rb_status with_scratch(analyse_in_fn *analyse_in, const rb_analysis *analysis, rb_capture *capture,
                       rb_results *results, rb_err *err)
{
  rb_arena *scratch = rb_arena_new(0);
  if (!scratch)
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  const rb_status status = analyse_in(analysis, capture, scratch, results, err);
  rb_arena_free(scratch);
  return status;
}

rb_status for_each_channel(analyse_channel_fn *analyse_channel, const rb_analysis *analysis,
                           rb_capture *capture, rb_results *results, rb_err *err)
{
  rb_arena *scratch = rb_arena_new(0);
  if (!scratch)
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  capture->health.usable = true;
  const rb_arena_mark start = rb_arena_save(scratch);
  rb_status status = RB_OK;
  for (unsigned c = 0; status == RB_OK && c < capture->n_channels && c < 2; c++) {
    status = analyse_channel(analysis, capture, c, scratch, results, err);
    rb_arena_rewind(scratch, start);
  }
  rb_arena_free(scratch);
  return status;
}

rb_status channel_samples(const rb_capture *capture, unsigned channel, rb_arena *scratch,
                          double **samples, rb_err *err)
{
  *samples = rb_arena_doubles(scratch, capture->n_frames);
  if (!*samples)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a capture of %zu frames.", capture->n_frames);
  rb_capture_channel(capture, channel, *samples);
  return RB_OK;
}

int polarity_of(const rb_analysis *analysis, unsigned channel)
{
  return analysis->polarity[channel] < 0 ? -1 : 1;
}
