// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_PROCEDURES_COMMON_H
#define ROLLBOOK_PROCEDURES_COMMON_H

#include "rollbook/dsp/estimate.h"
#include "rollbook/procedures/procedure.h"

/// What procedures share: planning a stimulus, judging a capture, and adding readings with the
/// right unit and floor. Private to this room. A procedure's `analyse` reads
///
///     RB_TRY(judge_continuity(capture, channel, tone_hz, scratch, err));
///     reading_sink sink = sink_for(analysis, results, channel);
///     add_level(&sink, "level", tone.rms);
///     add_db(&sink, "h2", tone.harmonic[2].ratio);
///     return sink_status(&sink, err);

// ---- planning -----------------------------------------------------------------------------------

/// A silent stimulus of `duration_s`, both channels, in `arena`. RB_NO_MEM.
RB_NODISCARD rb_status stimulus_new(double duration_s, double rate_hz, rb_arena *arena,
                                    rb_stimulus *stimulus, rb_err *err);

/// True for a channel index (0 left, 1 right) that is driven.
bool is_driven(rb_channel drive, unsigned channel);

/// Copies what was written to `samples` to every driven channel.
void stimulus_drive(rb_stimulus *stimulus, rb_channel drive, const double *samples);

// ---- judging a capture --------------------------------------------------------------------------

/// Runs the continuity check on one channel's samples and enters its findings in `health`
/// (tone_hz 0: no tone in it). RB_CLIPPED, RB_LOST_FRAMES with words that name the channel and say
/// what to do; health->usable is false then.
RB_NODISCARD rb_status judge_continuity(const double *samples, size_t n, double rate_hz,
                                        unsigned channel, double tone_hz, rb_arena *scratch,
                                        rb_health *health, rb_err *err);

// ---- adding readings ----------------------------------------------------------------------------

/// Where readings of one channel go. Once adding has failed, later additions do nothing.
typedef struct reading_sink {
  const rb_analysis *analysis;
  rb_results *results;
  unsigned channel; ///< 0 left, 1 right.
  rb_status status;
} reading_sink;

reading_sink sink_for(const rb_analysis *analysis, rb_results *results, unsigned channel);
/// RB_OK, or RB_NO_MEM with words.
RB_NODISCARD rb_status sink_status(const reading_sink *sink, rb_err *err);

/// All of these take the size as the analysis found it, linear, and the floor that belongs to it.
/// The floor published is the larger of it and the bench's own for the same key, channel and
/// condition. A size that is not above its floor is published as upper bound, not resolved.
void add_level(reading_sink *sink, const char *key, rb_estimate rms); ///< V, else dBFS.
void add_pct(reading_sink *sink, const char *key, rb_estimate ratio);
void add_db(reading_sink *sink, const char *key, rb_estimate ratio);
/// A signed share: the floor is of its size.
void add_signed_pct(reading_sink *sink, const char *key, rb_estimate ratio);

/// As they are, in `unit`, without bench floor: a frequency, an angle, a figure in dB. For those
/// not resolved, the value is the estimate.
void add_plain(reading_sink *sink, const char *key, const char *unit, rb_estimate estimate);

/// Level over drive in dB, where the drive is known: volts by volts, dBFS by dBFS; volts at the
/// load per full-scale drive in "dBV/FS".
void add_gain(reading_sink *sink, rb_estimate rms);

/// Points of a curve.
typedef struct curve_points {
  const double *x, *y;
  const double *uncertainty; ///< Of y; NULL where unknown.
  size_t n;
} curve_points;

/// A curve as it is, in these units.
void add_curve(reading_sink *sink, const char *key, const char *x_unit, const char *y_unit,
               curve_points points);

/// A curve of rms sizes against frequency, shown as dBV where calibrated, else dBFS.
void add_level_curve(reading_sink *sink, const char *key, const double *frequency_hz,
                     const double *rms, size_t n, rb_arena *scratch);

/// Runs `analyse_in` with an arena of its own, which is freed behind it.
typedef rb_status analyse_in_fn(const rb_analysis *analysis, rb_capture *capture, rb_arena *scratch,
                                rb_results *results, rb_err *err);
RB_NODISCARD rb_status with_scratch(analyse_in_fn *analyse_in, const rb_analysis *analysis,
                                    rb_capture *capture, rb_results *results, rb_err *err);

/// Runs `analyse_channel` on each channel in turn, every time with the whole of a scratch arena of
/// its own; the capture counts as usable until a channel says otherwise. Stops at the first
/// failure.
typedef rb_status analyse_channel_fn(const rb_analysis *analysis, rb_capture *capture,
                                     unsigned channel, rb_arena *scratch, rb_results *results,
                                     rb_err *err);
RB_NODISCARD rb_status for_each_channel(analyse_channel_fn *analyse_channel,
                                        const rb_analysis *analysis, rb_capture *capture,
                                        rb_results *results, rb_err *err);

/// Takes `capture`'s channel as doubles, in `scratch`. RB_NO_MEM.
RB_NODISCARD rb_status channel_samples(const rb_capture *capture, unsigned channel,
                                       rb_arena *scratch, double **samples, rb_err *err);

/// +1, or −1 where the bench turns this channel over.
int polarity_of(const rb_analysis *analysis, unsigned channel);

#endif
