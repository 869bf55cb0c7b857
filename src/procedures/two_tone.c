// SPDX-License-Identifier: GPL-3.0-or-later
#include "two_tone.h"

#include "rollbook/base/units.h"

#include <math.h>

static const double HIGHEST_OF_RATE = 0.46;

rb_status two_tone_plan(const rb_signal *signal, const two_tone *tones, rb_channel drive,
                        double rate_hz, rb_arena *arena, rb_stimulus *stimulus, rb_err *err)
{
  const double highest_hz = fmax(tones->hz[0], tones->hz[1]);
  if (highest_hz > HIGHEST_OF_RATE * rate_hz || !(tones->hz[1] > tones->hz[0]))
    return rb_fail(err, RB_UNSUPPORTED,
                   "%s: tones of %g and %g Hz need the first to be the lower one and a sample rate "
                   "of at least %.0f Hz; the bench runs at %.0f Hz.",
                   signal->file, tones->hz[0], tones->hz[1], highest_hz / HIGHEST_OF_RATE, rate_hz);
  RB_TRY(stimulus_new(tones->settle_s + tones->duration_s + 2 * RB_EDGE_S, rate_hz, arena, stimulus,
                      err));
  const double second = 1 / (1 + tones->amplitude_ratio), first = 1 - second;
  double *samples = drive == RB_RIGHT ? stimulus->right : stimulus->left;
  for (size_t i = 0; i < stimulus->n_frames; i++)
    samples[i] = first * sin(2 * RB_PI * fmod(tones->hz[0] * (double)i / rate_hz, 1)) +
                 second * sin(2 * RB_PI * fmod(tones->hz[1] * (double)i / rate_hz, 1));
  stimulus_drive(stimulus, drive, samples);
  return RB_OK;
}

rb_status two_tone_channel(const rb_analysis *analysis, const two_tone *tones, rb_capture *capture,
                           unsigned channel, two_tone_channel_fn *measure, rb_arena *scratch,
                           rb_results *results, rb_err *err)
{
  double *samples = NULL;
  RB_TRY(channel_samples(capture, channel, scratch, &samples, err));
  RB_TRY(judge_continuity(samples, capture->n_frames, capture->rate_hz, channel, 0, scratch,
                          &capture->health, err));
  if (!is_driven(analysis->drive, channel))
    return RB_OK;
  const bool framed = analysis->played || analysis->located;
  const size_t first =
      framed ? (size_t)lround((RB_EDGE_S + tones->settle_s) * capture->rate_hz) : 0;
  const size_t there = capture->n_frames > first ? capture->n_frames - first : 0;
  const size_t wanted = (size_t)lround(tones->duration_s * capture->rate_hz);
  return measure(analysis, tones, channel, samples + (there > 0 ? first : 0),
                 framed && wanted < there ? wanted : there, capture->rate_hz, scratch, results,
                 err);
}

rb_status two_tone_failed(rb_status status, const two_tone *tones, unsigned channel, rb_err *err)
{
  const char *name = rb_channel_name((rb_channel)channel);
  if (status == RB_NO_SIGNAL)
    return rb_fail(err, status, "The tones of %g and %g Hz were not found on %s.", tones->hz[0],
                   tones->hz[1], name);
  return rb_fail(err, status, "Measuring intermodulation on %s failed: %s.", name,
                 rb_status_text(status));
}
