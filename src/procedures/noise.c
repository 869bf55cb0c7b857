// SPDX-License-Identifier: GPL-3.0-or-later
#include "common.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/impulses.h"
#include "rollbook/dsp/noise.h"

#include <math.h>
#include <stdio.h>

static const rb_parameter parameters[] = {
    {"duration_s", 1, 3600, 10, "how long it is listened to"},
};

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  (void)drive; // silence on both
  const double duration_s = rb_procedure_value(rb_procedure_find("noise"), signal, "duration_s");
  return stimulus_new(duration_s + 2 * RB_EDGE_S, rate_hz, arena, stimulus, err);
}

// ---- readings -----------------------------------------------------------------------------------

/// Noise is what it is: it has no floor of its own, only the bench's.
static rb_estimate level_of(const rb_noise_level *level)
{
  return (rb_estimate){.value = level->rms,
                       .uncertainty = level->rms * level->relative_uncertainty,
                       .resolved = level->rms > 0};
}

static void add_levels(reading_sink *sink, const rb_noise *noise)
{
  add_level(sink, "noise", level_of(&noise->noise));
  add_level(sink, "noise_total", level_of(&noise->total));
  add_level(sink, "noise_a", level_of(&noise->a));
  add_level(sink, "noise_468", level_of(&noise->bs468));
  add_plain(sink, "noise_slope", "dB/oct",
            (rb_estimate){.value = noise->slope_db_per_octave,
                          .uncertainty = noise->slope_uncertainty_db_per_octave,
                          .resolved = true});
}

/// Root of the sum of squares of every second line, from `first` on.
static rb_estimate sum_of_lines(const rb_noise *noise, unsigned first)
{
  double square = 0, variance = 0, floor_square = 0;
  for (unsigned line = first; line <= RB_HUM_LINES; line += 2) {
    const rb_estimate *rms = &noise->line_rms[line];
    floor_square += rms->floor * rms->floor;
    if (!rms->resolved)
      continue;
    square += rms->value * rms->value;
    variance += rms->value * rms->value * rms->uncertainty * rms->uncertainty;
  }
  const double sum = sqrt(square);
  return (rb_estimate){.value = sum,
                       .uncertainty = sum > 0 ? sqrt(variance) / sum : 0,
                       .floor = sqrt(floor_square),
                       .resolved = sum > sqrt(floor_square)};
}

static void add_hum(reading_sink *sink, const rb_noise *noise)
{
  if (noise->mains_found)
    add_plain(sink, "mains_freq", "Hz",
              (rb_estimate){.value = noise->mains_hz,
                            .uncertainty = noise->mains_uncertainty_hz,
                            .resolved = true});
  for (unsigned line = 1; line <= RB_HUM_LINES; line++) {
    char key[RB_KEY_SIZE];
    snprintf(key, sizeof key, "hum_%ux", line);
    add_level(sink, key, noise->line_rms[line]);
  }
  add_level(sink, "hum_odd", sum_of_lines(noise, 1));
  add_level(sink, "hum_even", sum_of_lines(noise, 2));
}

/// A count has the spread of its root (Poisson); none counted bounds the rate at 3 in the time,
/// with 95 % confidence.
static rb_estimate rate_of(double count, double duration_s)
{
  const double per_count = 60 / duration_s;
  return (rb_estimate){.value = per_count * (count > 0 ? count : 3),
                       .uncertainty = per_count * sqrt(fmax(count, 1)),
                       .floor = 3 * per_count,
                       .resolved = count > 0};
}

static void add_impulses(reading_sink *sink, const rb_impulses *impulses)
{
  add_plain(sink, "crackle_rate", "1/min", rate_of((double)impulses->n_pops, impulses->duration_s));
  // A peak is kept as the rms of a sine with that peak, as every level is.
  if (impulses->n_pops > 0)
    add_level(sink, "pop_peak",
              (rb_estimate){.value = impulses->largest_peak / sqrt(2), .resolved = true});
  if (!impulses->burst.found)
    return;
  add_plain(sink, "burst_rate", "1/min",
            rate_of((double)impulses->burst.n_steps, impulses->duration_s));
  add_level(sink, "burst_step",
            (rb_estimate){.value = impulses->burst.step / sqrt(2), .resolved = true});
}

/// Density in dB re 1 V/√Hz, or re full scale/√Hz where the bench is not calibrated.
static void add_density(reading_sink *sink, const rb_noise *noise, rb_arena *scratch)
{
  const double volts = sqrt(2) * sink->analysis->load_vrms_per_fs[sink->channel];
  double *density_db = rb_arena_doubles(scratch, noise->n_density);
  if (!density_db)
    sink->status = RB_NO_MEM;
  if (sink->status != RB_OK)
    return;
  for (size_t i = 0; i < noise->n_density; i++)
    density_db[i] = volts > 0 ? rb_db_from_power(volts * volts * noise->density[i])
                              : rb_db_from_power(2 * noise->density[i]);
  add_curve(sink, "noise_spectrum", "Hz", volts > 0 ? "dBV/rtHz" : "dBFS/rtHz",
            (curve_points){.x = noise->density_hz, .y = density_db, .n = noise->n_density});
}

// ---- a capture ----------------------------------------------------------------------------------

enum { PIECE = 65536 };

/// Both meters are fed piece by piece, so that a long capture needs little memory beside itself.
static rb_status feed(const rb_capture *capture, unsigned channel, rb_noise_meter *noise,
                      rb_impulse_meter *impulses, rb_arena *scratch)
{
  double *piece = rb_arena_doubles(scratch, PIECE);
  if (!piece)
    return RB_NO_MEM;
  const size_t edge = (size_t)ceil(RB_EDGE_S * capture->rate_hz);
  const size_t last = capture->n_frames > edge ? capture->n_frames - edge : 0;
  for (size_t at = edge; at < last;) {
    const size_t n = last - at < PIECE ? last - at : PIECE;
    for (size_t i = 0; i < n; i++)
      piece[i] = (double)capture->frames[(at + i) * capture->n_channels + channel];
    RB_TRY(rb_noise_meter_add(noise, piece, n));
    RB_TRY(rb_impulse_meter_add(impulses, piece, n));
    at += n;
  }
  return RB_OK;
}

static rb_status listen(const rb_analysis *analysis, const rb_capture *capture, unsigned channel,
                        rb_arena *scratch, rb_noise *noise, rb_impulses *impulses)
{
  rb_noise_meter *noise_meter = NULL;
  rb_impulse_meter *impulse_meter = NULL;
  RB_TRY(rb_noise_meter_new(capture->rate_hz, analysis->mains_hz, scratch, &noise_meter));
  RB_TRY(rb_impulse_meter_new(capture->rate_hz, analysis->mains_hz, scratch, &impulse_meter));
  RB_TRY(feed(capture, channel, noise_meter, impulse_meter, scratch));
  RB_TRY(rb_noise_meter_read(noise_meter, scratch, noise));
  return rb_impulse_meter_read(impulse_meter, impulses);
}

static rb_status analyse_channel(const rb_analysis *analysis, const rb_capture *capture,
                                 unsigned channel, rb_arena *scratch, rb_results *results,
                                 rb_err *err)
{
  rb_noise noise;
  rb_impulses impulses;
  const rb_status status = listen(analysis, capture, channel, scratch, &noise, &impulses);
  if (status == RB_NO_SIGNAL)
    return rb_fail(err, status, "The recording holds %.1f s; noise needs at least 1 s.",
                   (double)capture->n_frames / capture->rate_hz);
  if (status != RB_OK)
    return rb_fail(err, status, "Measuring the noise failed: %s.", rb_status_text(status));
  reading_sink sink = sink_for(analysis, results, channel);
  add_levels(&sink, &noise);
  add_hum(&sink, &noise);
  add_impulses(&sink, &impulses);
  add_density(&sink, &noise, scratch);
  return sink_status(&sink, err);
}

/// Piece by piece, for the same reason.
static rb_status judge(rb_capture *capture, unsigned channel, rb_arena *scratch, rb_err *err)
{
  const size_t most = 8 * PIECE;
  for (size_t at = 0; at < capture->n_frames; at += most) {
    const size_t left = capture->n_frames - at;
    const rb_capture piece = {.frames = capture->frames + at * capture->n_channels,
                              .n_frames = left < most ? left : most,
                              .n_channels = capture->n_channels,
                              .rate_hz = capture->rate_hz};
    const rb_arena_mark mark = rb_arena_save(scratch);
    double *samples = NULL;
    RB_TRY(channel_samples(&piece, channel, scratch, &samples, err));
    RB_TRY(judge_continuity(samples, piece.n_frames, piece.rate_hz, channel, 0, scratch,
                            &capture->health, err));
    rb_arena_rewind(scratch, mark);
  }
  return RB_OK;
}

static rb_status analyse_in(const rb_analysis *analysis, rb_capture *capture, rb_arena *scratch,
                            rb_results *results, rb_err *err)
{
  capture->health.usable = true;
  const unsigned n_channels = capture->n_channels < 2 ? capture->n_channels : 2;
  for (unsigned c = 0; c < n_channels; c++)
    RB_TRY(judge(capture, c, scratch, err));
  for (unsigned c = 0; c < n_channels; c++) {
    const rb_arena_mark mark = rb_arena_save(scratch);
    RB_TRY(analyse_channel(analysis, capture, c, scratch, results, err));
    rb_arena_rewind(scratch, mark);
  }
  return RB_OK;
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return with_scratch(analyse_in, analysis, capture, results, err);
}

const rb_procedure rb_procedure_noise = {
    .name = "noise",
    .title = "Noise and hum",
    .summary = "what is heard in silence: noise plain and weighted, mains lines, crackle",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};
