// SPDX-License-Identifier: GPL-3.0-or-later
#include "guard_internal.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const float clip_level = 0.9999f; // under 16 bit full scale
static const double stall_s = 2.0;
static const double fade_s = 0.020;
static const double rounding = 1e-6; // of a float against the double it came from

rb_status rb_guard_over(rb_rig *rig, const rb_bench *bench, rb_guard **guard, rb_err *err)
{
  *guard = NULL;
  rb_status status = RB_OK;
  rb_guard *fresh = NULL;
  if (!(bench->ceiling_dbfs <= 0) || !(bench->ceiling_w > 0))
    status = rb_fail(err, RB_BAD_ARG,
                     "The bench's ceilings make no sense: %g dBFS (at most 0), %g W (over 0).",
                     bench->ceiling_dbfs, bench->ceiling_w);
  else if (!(fresh = calloc(1, sizeof *fresh)))
    status = rb_fail(err, RB_NO_MEM, "Out of memory while opening the rig.");
  if (status != RB_OK) {
    rb_rig_close(rig);
    return status;
  }
  fresh->rig = rig;
  fresh->bench = *bench;
  *guard = fresh;
  return RB_OK;
}

rb_status rb_guard_open(const rb_bench *bench, const rb_lineup *lineup, uint64_t sitting_seed,
                        rb_guard **guard, rb_err *err)
{
  *guard = NULL;
  rb_rig_want want = {.rate_hz = bench->rate_hz,
                      .lineup = lineup,
                      .load_ohm = bench->load_ohm,
                      .sitting_seed = sitting_seed};
  memcpy(want.output_channels, bench->output_channels, sizeof want.output_channels);
  memcpy(want.input_channels, bench->input_channels, sizeof want.input_channels);
  rb_rig *rig = NULL;
  RB_TRY(rb_rig_open(bench->rig, &want, &rig, err));
  return rb_guard_over(rig, bench, guard, err);
}

void rb_guard_close(rb_guard *guard)
{
  if (!guard)
    return;
  rb_rig_close(guard->rig);
  free(guard);
}

const rb_rig_caps *rb_guard_caps(const rb_guard *guard)
{
  return rb_rig_granted(guard->rig);
}

double rb_guard_since_power_on_s(rb_guard *guard)
{
  return rb_rig_since_power_on_s(guard->rig);
}

double rb_guard_meter_vrms(rb_guard *guard, unsigned channel)
{
  return rb_rig_meter_vrms(guard->rig, channel);
}

rb_status rb_guard_tap(rb_guard *guard, const char *socket, rb_err *err)
{
  return rb_rig_tap(guard->rig, socket, err);
}

rb_status rb_guard_wait(rb_guard *guard, double duration_s, const rb_cancel *cancel, rb_err *err)
{
  return rb_rig_wait(guard->rig, duration_s, cancel, err);
}

margins margins_of(const rb_guard *guard)
{
  bool paced = rb_rig_granted(guard->rig)->paced;
  return (margins){.lead_in_s = 0.1, .tail_s = paced ? 0.4 : 0.25};
}

double highest_peak(const rb_guard *guard, unsigned channel)
{
  double peak = rb_ratio_from_db(guard->bench.ceiling_dbfs);
  if (guard->gain_vrms[channel] > 0) {
    double ceiling_vrms = rb_vrms_from_watts(guard->bench.ceiling_w, guard->bench.load_ohm);
    peak = fmin(peak, ceiling_vrms / guard->gain_vrms[channel]);
  }
  return peak;
}

rb_status check_play(const rb_guard *guard, const float *play, size_t n_frames, rb_err *err)
{
  for (unsigned c = 0; c < 2; c++) {
    float most = (float)(highest_peak(guard, c) * (1 + rounding));
    for (size_t i = c; i < 2 * n_frames; i += 2) {
      if (!isfinite(play[i]))
        return rb_fail(err, RB_BUG, "Frame %zu to be played on %s is not a number.", i / 2,
                       rb_channel_name((rb_channel)c));
      if (fabsf(play[i]) > most)
        return rb_fail(err, RB_UNSAFE,
                       "Refused: %.2f dBFS on %s is over the bench's ceiling of %.2f dBFS. "
                       "Nothing was played.",
                       rb_db_from_ratio(fabs((double)play[i])), rb_channel_name((rb_channel)c),
                       rb_db_from_ratio((double)most));
    }
  }
  return RB_OK;
}

rb_status exchange_once(rb_guard *guard, const rb_exchange *wanted, rb_capture *capture,
                        rb_err *err)
{
  if (rb_cancel_requested(wanted->cancel))
    return rb_fail(err, RB_CANCELLED, "Cancelled.");
  rb_exchange exchange = *wanted;
  exchange.ramp_frames = (size_t)(fade_s * rb_rig_granted(guard->rig)->rate_hz);
  exchange.clip_level = clip_level;
  exchange.stall_s = stall_s;
  rb_status status = rb_rig_exchange(guard->rig, &exchange, capture, err);
  if (status == RB_CLIPPED)
    return rb_fail(err, RB_CLIPPED,
                   "The input clipped and the sound was faded out. Turn the card's input gain "
                   "down, use more attenuation, or ask for less power.");
  return status;
}
