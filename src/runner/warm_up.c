// SPDX-License-Identifier: GPL-3.0-or-later
#include "warm_up.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

static const double window_min = 1.5; // probes this young count
static const double least_span_min = 0.5;
enum { LEAST_PROBES = 3 };

rb_status warm_up_prepare(bench_session *session, double frequency_hz, double power_w,
                          warm_up *gate, rb_err *err)
{
  *gate = (warm_up){.n = 0};
  rb_signal signal = rb_signal_made("warm-up", "Probe of the warm-up", "tone");
  if (rb_signal_set(&signal, "frequency_hz", frequency_hz) != RB_OK ||
      rb_signal_set(&signal, "duration_s", 0.5) != RB_OK ||
      rb_signal_set(&signal, "settle_s", 0.3) != RB_OK)
    return rb_fail(err, RB_BUG, "The probe tone could not be described.");
  const rb_step step = {.signal = "warm-up", .power_w = power_w, .drive = RB_BOTH};
  return step_made(session, &signal, &step, &gate->probe, err);
}

static void keep(warm_up *gate, const rb_results *results, double since_power_on_s)
{
  if (gate->n == WARM_UP_PROBES) { // the oldest are far out of the window
    gate->n--;
    memmove(gate->at_min, gate->at_min + 1, gate->n * sizeof(double));
    for (unsigned c = 0; c < 2; c++)
      memmove(gate->gain_db[c], gate->gain_db[c] + 1, gate->n * sizeof(double));
  }
  for (unsigned c = 0; c < 2; c++) {
    const rb_reading *level = rb_results_find(results, "level", (rb_channel)c, "");
    const double relative = level ? level->uncertainty / level->value : 0;
    gate->gain_db[c][gate->n] = level ? rb_db_from_ratio(level->value) : -HUGE_VAL;
    gate->spread_db[c] = 20 / log(10) * relative;
  }
  gate->at_min[gate->n++] = since_power_on_s / 60;
}

rb_status warm_up_probe(bench_session *session, warm_up *gate, double since_power_on_s, rb_err *err)
{
  rb_arena *arena = rb_arena_new(0);
  if (!arena)
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  rb_capture capture;
  rb_located located;
  rb_results results = rb_results_in(arena);
  rb_status status = session_play(session, &gate->probe, arena, &capture, &located, err);
  if (status == RB_OK) {
    const rb_analysis analysis = step_analysis(session, &gate->probe, &located);
    status = gate->probe.procedure->analyse(&analysis, &capture, &results, err);
  }
  if (status == RB_OK)
    keep(gate, &results, since_power_on_s);
  rb_arena_free(arena);
  return status;
}

drift warm_up_drift(const warm_up *gate, unsigned channel)
{
  const double *t = gate->at_min, *y = gate->gain_db[channel];
  size_t first = gate->n;
  while (first > 0 && t[first - 1] >= t[gate->n - 1] - window_min)
    first--;
  const size_t n = gate->n - first;
  if (n < LEAST_PROBES || t[gate->n - 1] - t[first] < least_span_min)
    return (drift){.known = false};
  double mean_t = 0, mean_y = 0, tt = 0, ty = 0;
  for (size_t i = first; i < gate->n; i++) {
    mean_t += t[i] / (double)n;
    mean_y += y[i] / (double)n;
  }
  for (size_t i = first; i < gate->n; i++) {
    tt += (t[i] - mean_t) * (t[i] - mean_t);
    ty += (t[i] - mean_t) * (y[i] - mean_y);
  }
  return (drift){.slope_db_per_min = ty / tt,
                 .uncertainty_db_per_min = gate->spread_db[channel] / sqrt(tt),
                 .known = isfinite(ty)};
}

bool warm_up_settled(const warm_up *gate)
{
  for (unsigned c = 0; c < 2; c++) {
    const drift d = warm_up_drift(gate, c);
    if (!d.known || fabs(d.slope_db_per_min) + d.uncertainty_db_per_min >= RB_SETTLED_DB_PER_MIN)
      return false;
  }
  return true;
}

rb_status warm_up_add_readings(const warm_up *gate, rb_results *results)
{
  for (unsigned c = 0; c < 2; c++) {
    const drift d = warm_up_drift(gate, c);
    if (!d.known)
      continue;
    rb_reading reading = {.key = "drift_gain",
                          .channel = (rb_channel)c,
                          .value = d.slope_db_per_min,
                          .unit = "dB/min",
                          .uncertainty = d.uncertainty_db_per_min,
                          .resolved = true};
    rb_text_copy(reading.condition, sizeof reading.condition, gate->probe.condition);
    RB_TRY(rb_results_add(results, &reading));
  }
  return RB_OK;
}
