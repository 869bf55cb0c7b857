// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/procedures/loads.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/response.h"

#include <math.h>
#include <string.h>

static const double RATED_OHM = 8, REFERENCE_HZ = 1000;

/// One channel of one sweep.
typedef struct loaded {
  const rb_reading *gain;
  const rb_curve *response, *phase;
} loaded;

static bool find(const rb_results *results, rb_channel channel, loaded *found)
{
  found->gain = rb_results_find(results, "gain", channel, "");
  found->response = rb_results_find_curve(results, "response", channel, "");
  found->phase = rb_results_find_curve(results, "phase", channel, "");
  return found->gain && found->response && found->phase && found->response->n > 1 &&
         found->phase->n == found->response->n;
}

static double complex voltage_at(const loaded *l, size_t i)
{
  const double level = rb_ratio_from_db(l->gain->value + l->response->y[i]);
  return level * cexp(CMPLX(0, l->phase->y[i] * RB_PI / 180));
}

static double relative_at(const loaded *l, size_t i)
{
  const double own_db = l->response->uncertainty ? l->response->uncertainty[i] : 0;
  return log(10) / 20 * hypot(own_db, l->gain->uncertainty);
}

static rb_status add_reading(rb_results *results, const char *key, rb_channel channel,
                             const char *condition, const char *unit, double value,
                             double uncertainty)
{
  rb_reading reading = {.channel = channel,
                        .value = value,
                        .uncertainty = uncertainty,
                        .resolved = fabs(value) > 2 * uncertainty};
  rb_text_copy(reading.key, sizeof reading.key, key);
  rb_text_copy(reading.condition, sizeof reading.condition, condition);
  rb_text_copy(reading.unit, sizeof reading.unit, unit);
  return rb_results_add(results, &reading);
}

static rb_status add_curve(rb_results *results, const char *key, const char *y_unit,
                           const char *condition, const rb_curve *like, const double *y,
                           const double *uncertainty)
{
  rb_curve curve = *like;
  rb_text_copy(curve.key, sizeof curve.key, key);
  rb_text_copy(curve.y_unit, sizeof curve.y_unit, y_unit);
  rb_text_copy(curve.condition, sizeof curve.condition, condition);
  curve.y = y;
  curve.uncertainty = uncertainty;
  return rb_results_add_curve(results, &curve);
}

static size_t nearest(const rb_curve *curve, double at_hz)
{
  size_t best = 0;
  for (size_t i = 1; i < curve->n; i++)
    if (fabs(log(curve->x[i] / at_hz)) < fabs(log(curve->x[best] / at_hz)))
      best = i;
  return best;
}

static rb_status no_memory(rb_err *err)
{
  return rb_fail(err, RB_NO_MEM, "Out of memory for an impedance.");
}

/// The impedance at every point of one channel's response.
static rb_status impedance_of(const rb_loaded_sweep sweeps[2], const loaded l[2], double load_pct,
                              rb_channel channel, const char *condition, rb_results *results,
                              rb_err *err)
{
  const size_t n = l[0].response->n;
  double *ohm = rb_arena_doubles(results->arena, n);
  double *uncertainty = rb_arena_doubles(results->arena, n);
  if (!ohm || !uncertainty)
    return no_memory(err);
  const double load_relative = load_pct / 100 / sqrt(3);
  for (size_t i = 0; i < n; i++) {
    const rb_two_loads loads = {.voltage = {voltage_at(&l[0], i), voltage_at(&l[1], i)},
                                .load_ohm = {sweeps[0].load_ohm, sweeps[1].load_ohm},
                                .voltage_relative = {relative_at(&l[0], i), relative_at(&l[1], i)},
                                .load_relative = {load_relative, load_relative}};
    rb_output_impedance found;
    if (rb_output_impedance_from_loads(&loads, &found) != RB_OK)
      return rb_fail(err, RB_BAD_ARG,
                     "Two loads of %g and %g ohm tell no output impedance: they must differ.",
                     sweeps[0].load_ohm, sweeps[1].load_ohm);
    ohm[i] = cabs(found.impedance_ohm);
    uncertainty[i] = found.uncertainty_ohm;
  }
  const size_t at = nearest(l[0].response, REFERENCE_HZ);
  const double damping = rb_damping_factor(RATED_OHM, ohm[at]);
  if (add_reading(results, "output_impedance", channel, condition, "ohm", ohm[at],
                  uncertainty[at]) != RB_OK ||
      add_reading(results, "damping_factor", channel, condition, "", damping,
                  damping * uncertainty[at] / ohm[at]) != RB_OK ||
      add_curve(results, "impedance_curve", "ohm", condition, l[0].response, ohm, uncertainty) !=
          RB_OK)
    return no_memory(err);
  return RB_OK;
}

static bool alike(const loaded l[2])
{
  return strcmp(l[0].gain->unit, l[1].gain->unit) == 0 && l[0].response->n == l[1].response->n &&
         fabs(l[0].response->x[0] / l[1].response->x[0] - 1) < 1e-9;
}

rb_status rb_two_load_impedance(const rb_loaded_sweep sweeps[2], double load_pct,
                                const char *condition, rb_results *results, rb_err *err)
{
  size_t n_channels = 0;
  for (rb_channel channel = RB_LEFT; channel <= RB_RIGHT; channel++) {
    loaded l[2];
    if (!find(sweeps[0].results, channel, &l[0]) || !find(sweeps[1].results, channel, &l[1]))
      continue;
    if (!alike(l))
      return rb_fail(err, RB_BAD_ARG,
                     "The two sweeps were not taken alike: use the same signal, sample rate and "
                     "calibration for both loads.");
    RB_TRY(impedance_of(sweeps, l, load_pct, channel, condition, results, err));
    n_channels++;
  }
  if (n_channels == 0)
    return rb_fail(err, RB_NOT_FOUND,
                   "No channel has a sweep on both loads; an output impedance needs two.");
  return RB_OK;
}

// ---- into a loudspeaker -------------------------------------------------------------------------

static double complex speaker_at(const rb_speaker_view *speaker, double freq_hz)
{
  return speaker->parameters ? rb_loudspeaker_impedance(speaker->parameters, freq_hz)
                             : rb_impedance_at(speaker->curve_hz, speaker->magnitude_ohm,
                                               speaker->phase_deg, speaker->n, freq_hz);
}

rb_status rb_speaker_response(const rb_results *swept, const rb_results *impedance,
                              const rb_speaker_view *speaker, double load_ohm, rb_channel channel,
                              const char *condition, rb_results *results, rb_err *err)
{
  const rb_curve *response = rb_results_find_curve(swept, "response", channel, "");
  const rb_curve *source = rb_results_find_curve(impedance, "impedance_curve", channel, "");
  if (!response || !source || response->n == 0 || source->n == 0)
    return rb_fail(err, RB_NOT_FOUND,
                   "A response into a loudspeaker needs a sweep and an output impedance of the %s "
                   "channel.",
                   rb_channel_name(channel));
  double *db = rb_arena_doubles(results->arena, response->n);
  if (!db)
    return no_memory(err);
  for (size_t i = 0; i < response->n; i++) {
    const double hz = response->x[i];
    const double complex source_ohm = rb_impedance_at(source->x, source->y, NULL, source->n, hz);
    db[i] = response->y[i] + rb_loading_db(speaker_at(speaker, hz), source_ohm, load_ohm);
  }
  const double reference_db = db[nearest(response, REFERENCE_HZ)];
  for (size_t i = 0; i < response->n; i++)
    db[i] -= reference_db;
  if (add_curve(results, "speaker_response", "dB", condition, response, db,
                response->uncertainty) != RB_OK)
    return no_memory(err);
  return RB_OK;
}
