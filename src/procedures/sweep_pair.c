// SPDX-License-Identifier: GPL-3.0-or-later
#include "sweep_pair.h"

#include "common.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/response.h"
#include "rollbook/dsp/weighting.h"

#include <math.h>

static const double REFERENCE_HZ = 1000;

/// Volts at the load, or full scale, for a captured 1, over the drive: what turns a response into
/// the channel's gain.
static double gain_factor(const rb_analysis *analysis, unsigned channel)
{
  const bool volts = analysis->load_vrms_per_fs[0] > 0 && analysis->load_vrms_per_fs[1] > 0;
  const bool driven = analysis->drive_peak_fs[0] > 0 && analysis->drive_peak_fs[1] > 0;
  return (volts ? analysis->load_vrms_per_fs[channel] : 1) /
         (driven ? analysis->drive_peak_fs[channel] : 1);
}

// ---- balance ------------------------------------------------------------------------------------

typedef struct balance {
  double *db, *uncertainty_db, *angle_deg;
} balance;

static rb_status compare(const rb_analysis *analysis, const swept_channel taken[2],
                         const swept_response linear[2], rb_arena *scratch, balance *b, rb_err *err)
{
  const size_t n = linear[0].n;
  double complex *ratio = rb_arena_alloc(scratch, n, sizeof *ratio);
  *b = (balance){.db = rb_arena_doubles(scratch, n),
                 .uncertainty_db = rb_arena_doubles(scratch, n),
                 .angle_deg = rb_arena_doubles(scratch, n)};
  if (!ratio || !b->db || !b->uncertainty_db || !b->angle_deg)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a response.");
  const double scale = gain_factor(analysis, 0) / gain_factor(analysis, 1);
  const int polarity = polarity_of(analysis, 0) * polarity_of(analysis, 1);
  for (size_t i = 0; i < n; i++) {
    ratio[i] =
        linear[1].value[i] != 0 ? scale * polarity * linear[0].value[i] / linear[1].value[i] : 0;
    b->uncertainty_db[i] =
        hypot(rb_response_noise_db(cabs(linear[0].value[i]), linear[0].noise_rms[i]),
              rb_response_noise_db(cabs(linear[1].value[i]), linear[1].noise_rms[i]));
  }
  // Each response has its own delay taken out; what lies between the channels goes back in.
  const double later_s =
      taken[1].delay_s - taken[1].began_s - (taken[0].delay_s - taken[0].began_s);
  rb_response_undelay(linear[0].freq_hz, ratio, n, later_s);
  rb_response_db(ratio, n, b->db);
  rb_response_phase_deg(linear[0].freq_hz, ratio, n, REFERENCE_HZ, b->angle_deg);
  return RB_OK;
}

static void add_balance(reading_sink *sink, const swept_response *r, const balance *b)
{
  static const struct {
    const char *key;
    double low_hz, high_hz;
  } BANDS[] = {{"balance", 980, 1020},
               {"balance_bass", 30, 120},
               {"balance_band", 300, 3000},
               {"balance_treble", 8000, 20000}};
  for (size_t k = 0; k < RB_LEN(BANDS); k++) {
    double squares = 0;
    size_t n = 0;
    for (size_t i = 0; i < r->n; i++)
      if (r->freq_hz[i] >= BANDS[k].low_hz && r->freq_hz[i] <= BANDS[k].high_hz) {
        squares += b->uncertainty_db[i] * b->uncertainty_db[i];
        n++;
      }
    if (n == 0)
      continue;
    const double high_hz = fmin(BANDS[k].high_hz, r->freq_hz[r->n - 1]);
    add_plain(sink, BANDS[k].key, "dB",
              (rb_estimate){.value = rb_response_band_db(r->freq_hz, b->db, r->n, BANDS[k].low_hz,
                                                         high_hz, 0),
                            .uncertainty = sqrt(squares / (double)n),
                            .resolved = true});
  }
  add_curve(sink, "balance_curve", "Hz", "dB",
            (curve_points){r->freq_hz, b->db, b->uncertainty_db, r->n});
  add_curve(sink, "channel_phase", "Hz", "deg",
            (curve_points){r->freq_hz, b->angle_deg, NULL, r->n});
}

// ---- separation ---------------------------------------------------------------------------------

/// Separation in one band: power of the driven channel's response over that of its leak, the noise
/// of the leak taken off.
static rb_estimate band_separation(const swept_response *own, const swept_response *leak,
                                   double scale, const rb_third_octave *band)
{
  double driven = 0, leaked = 0, noise = 0;
  for (size_t i = 0; i < own->n; i++) {
    if (own->freq_hz[i] < band->low_hz || own->freq_hz[i] >= band->high_hz)
      continue;
    driven += scale * scale * creal(own->value[i] * conj(own->value[i]));
    leaked += creal(leak->value[i] * conj(leak->value[i]));
    noise += leak->noise_rms[i] * leak->noise_rms[i];
  }
  if (!(driven > 0))
    return (rb_estimate){0};
  const bool resolved = leaked > 2 * noise;
  const double left = resolved ? leaked - noise : 2 * noise;
  // Neighbouring points share their noise: as if the band were one point.
  const double spread = sqrt(2 * left * noise + noise * noise);
  return (rb_estimate){.value = rb_db_from_power(driven / fmax(left, 1e-40)),
                       .uncertainty = left > 0 ? 10 / log(10) * spread / left : 0,
                       .resolved = resolved};
}

/// From the other channel into `quiet`. A leak that is lost in noise gives "at least" this much; a
/// reading says so by not being resolved.
static rb_status add_separation(const rb_analysis *analysis, const swept_channel taken[2],
                                const swept_response linear[2], unsigned quiet, rb_arena *scratch,
                                rb_results *results, rb_err *err)
{
  const swept_response *own = &linear[1 - quiet];
  swept_response leak = {.freq_hz = own->freq_hz,
                         .value = rb_arena_alloc(scratch, own->n, sizeof *leak.value),
                         .noise_rms = rb_arena_doubles(scratch, own->n),
                         .n = own->n};
  double *hz = rb_arena_doubles(scratch, RB_THIRD_OCTAVES);
  double *db = rb_arena_doubles(scratch, RB_THIRD_OCTAVES);
  double *uncertainty_db = rb_arena_doubles(scratch, RB_THIRD_OCTAVES);
  if (!leak.value || !leak.noise_rms || !hz || !db || !uncertainty_db)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a response.");
  RB_TRY(swept_leak(&taken[quiet], scratch, &leak, err));
  const bool volts = analysis->load_vrms_per_fs[0] > 0 && analysis->load_vrms_per_fs[1] > 0;
  const double scale =
      volts ? analysis->load_vrms_per_fs[1 - quiet] / analysis->load_vrms_per_fs[quiet] : 1;
  reading_sink sink = sink_for(analysis, results, quiet);
  size_t n = 0;
  for (size_t i = 0; i < RB_THIRD_OCTAVES; i++) {
    const rb_third_octave band = rb_third_octave_band(i);
    if (band.low_hz < own->freq_hz[0] || band.high_hz > own->freq_hz[own->n - 1] * 1.1)
      continue;
    const rb_estimate separation_db = band_separation(own, &leak, scale, &band);
    hz[n] = band.mid_hz;
    db[n] = separation_db.value;
    uncertainty_db[n++] = separation_db.uncertainty;
    if (fabs(band.mid_hz - REFERENCE_HZ) < 1)
      add_plain(&sink, "separation", "dB", separation_db);
  }
  add_curve(&sink, "separation_curve", "Hz", "dB", (curve_points){hz, db, uncertainty_db, n});
  return sink_status(&sink, err);
}

rb_status add_pair(const rb_analysis *analysis, const swept_channel taken[2],
                   const swept_response linear[2], rb_arena *scratch, rb_results *results,
                   rb_err *err)
{
  balance b;
  RB_TRY(compare(analysis, taken, linear, scratch, &b, err));
  reading_sink sink = sink_for(analysis, results, RB_BOTH);
  add_balance(&sink, &linear[0], &b);
  RB_TRY(sink_status(&sink, err));
  for (unsigned quiet = 0; quiet < 2; quiet++)
    RB_TRY(add_separation(analysis, taken, linear, quiet, scratch, results, err));
  return RB_OK;
}
