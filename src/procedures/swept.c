// SPDX-License-Identifier: GPL-3.0-or-later
#include "swept.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/response.h"

#include <math.h>

enum { POINTS_PER_OCTAVE = 24 };

static const double HIGHEST_OF_RATE = 0.46; // the card's own filters begin above
static const double STAGGER_E = 2.3026;     // ln 10: harmonics to the ninth come after it
static const double LONGEST_DELAY_S = 0.05; // of an amplifier, with the cut's own slack
static const double EARLIEST_S = 0.002;
static const double LEAST_PEAK_OVER_RMS = 8; // of an impulse response against what is around it

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(rb_procedure_find("sweep"), signal, name);
}

rb_status swept_layout_for(const rb_signal *signal, rb_channel drive, double rate_hz,
                           swept_layout *layout, rb_err *err)
{
  const double last_hz = fmin(setting(signal, "last_hz"), HIGHEST_OF_RATE * rate_hz);
  *layout = (swept_layout){.tail_s = setting(signal, "tail_s")};
  if (rb_sweep_design(setting(signal, "first_hz"), last_hz, setting(signal, "duration_s"), rate_hz,
                      &layout->sweep) != RB_OK)
    return rb_fail(err, RB_UNSUPPORTED,
                   "%s: a sweep of %.3g s from %g to %g Hz does not fit a sample rate of %.0f Hz.",
                   signal->file, setting(signal, "duration_s"), setting(signal, "first_hz"),
                   last_hz, rate_hz);
  const double stagger_s = drive == RB_BOTH ? STAGGER_E * layout->sweep.growth_s : 0;
  // Whole frames, so that both channels play the same samples.
  layout->start_s[0] = ceil(RB_EDGE_S * rate_hz) / rate_hz;
  layout->start_s[1] = layout->start_s[0] + ceil(stagger_s * rate_hz) / rate_hz;
  layout->duration_s = layout->start_s[1] + layout->sweep.duration_s + layout->tail_s + RB_EDGE_S;
  return RB_OK;
}

/// A file from outside may begin before the sweep does: everywhere is looked at.
static rb_status find_linear(const swept_layout *layout, bool framed, size_t n,
                             swept_channel *taken, rb_err *err)
{
  const double rate_hz = layout->sweep.rate_hz;
  const double room_s = ((double)n - (double)layout->sweep.n_samples) / rate_hz;
  const double first_s = framed ? taken->began_s - EARLIEST_S : -EARLIEST_S;
  const double last_s = framed ? taken->began_s + LONGEST_DELAY_S : fmax(0, room_s);
  taken->delay_s = rb_impulse_delay_s(&taken->impulse, first_s, last_s, &taken->peak);
  double power = 0;
  for (size_t i = 0; i < taken->impulse.n; i++)
    power += taken->impulse.linear[i] * taken->impulse.linear[i] / (double)taken->impulse.n;
  if (!(fabs(taken->peak) > LEAST_PEAK_OVER_RMS * sqrt(power)))
    return rb_fail(err, RB_NO_SIGNAL, "No sweep was found.");
  return RB_OK;
}

rb_status swept_take(const swept_layout *layout, unsigned channel, bool framed, double clock_offset,
                     const double *samples, size_t n, rb_arena *arena, swept_channel *taken,
                     rb_err *err)
{
  const double rate_hz = layout->sweep.rate_hz;
  const size_t start = framed ? (size_t)lround(layout->start_s[0] * rate_hz) : 0;
  if (n < start + layout->sweep.n_samples)
    return rb_fail(err, RB_NO_SIGNAL, "The recording holds %.1f s; the sweep alone takes %.1f s.",
                   (double)n / rate_hz, layout->sweep.duration_s);
  *taken = (swept_channel){.began_s = layout->start_s[channel] - layout->start_s[0],
                           .other_s = layout->start_s[1 - channel] - layout->start_s[0]};
  const rb_status status = rb_sweep_deconvolve(&layout->sweep, samples + start, n - start,
                                               clock_offset, arena, &taken->impulse);
  if (status != RB_OK)
    return rb_fail(err, status, "Taking the sweep out of the recording failed: %s.",
                   rb_status_text(status));
  RB_TRY(find_linear(layout, framed, n, taken, err));
  // Noise is measured after the last response of either channel.
  const double last_s = taken->delay_s + fmax(0, taken->other_s - taken->began_s);
  const double quiet_s = fmax(0.2, taken->impulse.tail_s - last_s);
  taken->impulse.quiet_s[0] = last_s + 0.35 * fmin(quiet_s, layout->tail_s);
  taken->impulse.quiet_s[1] = last_s + 0.95 * fmin(quiet_s, layout->tail_s);
  taken->impulse.tail_s = fmin(taken->impulse.tail_s - taken->delay_s, layout->tail_s);
  if (taken->other_s > taken->began_s) // the other channel's sweep answers after that
    taken->impulse.tail_s = fmin(taken->impulse.tail_s, 0.6 * (taken->other_s - taken->began_s));
  if (rb_impulse_harmonics(&taken->impulse, taken->delay_s, arena) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a sweep.");
  return RB_OK;
}

rb_status swept_grid(const swept_layout *layout, unsigned order, rb_arena *arena,
                     swept_response *response, rb_err *err)
{
  const double low_hz = 1.6 * order * layout->sweep.first_hz;
  const double high_hz = fmin(0.95 * order * layout->sweep.last_hz, 0.45 * layout->sweep.rate_hz);
  const size_t n = rb_log_grid_size(low_hz, high_hz, POINTS_PER_OCTAVE);
  double *freq_hz = rb_arena_doubles(arena, n);
  *response = (swept_response){.freq_hz = freq_hz,
                               .value = rb_arena_alloc(arena, n, sizeof *response->value),
                               .noise_rms = rb_arena_doubles(arena, n),
                               .n = n};
  if (freq_hz == NULL || response->value == NULL || response->noise_rms == NULL)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a response.");
  rb_log_grid(low_hz, high_hz, POINTS_PER_OCTAVE, freq_hz);
  return RB_OK;
}

static rb_status respond(const rb_impulse *impulse, unsigned order, double delay_s, rb_arena *arena,
                         swept_response *response, rb_err *err)
{
  const rb_status status =
      rb_impulse_response(impulse, order, delay_s, response->freq_hz, response->n, arena,
                          response->value, response->noise_rms);
  if (status != RB_OK)
    return rb_fail(err, status, "Computing a response failed: %s.", rb_status_text(status));
  return RB_OK;
}

rb_status swept_own(const swept_channel *taken, unsigned order, rb_arena *arena,
                    swept_response *response, rb_err *err)
{
  return respond(&taken->impulse, order, taken->delay_s, arena, response, err);
}

rb_status swept_leak(const swept_channel *taken, rb_arena *arena, swept_response *response,
                     rb_err *err)
{
  // Where the right channel hears the left one, its own fifth and higher harmonics come soon after.
  const double clear_s = STAGGER_E - log(6);
  const double delay_s = taken->delay_s - taken->began_s + taken->other_s;
  rb_impulse impulse = taken->impulse;
  impulse.tail_s = fmin(impulse.tail_s, clear_s * impulse.sweep.growth_s);
  return respond(&impulse, 1, delay_s, arena, response, err);
}
