// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/listener.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"

#include "effects.h"

#include <math.h>
#include <string.h>

static const double sensitivity_vrms = 2.83; // 1 W into 8 ohm
static const double usual_mains_hz = 50;
static const double inaudible_below_threshold_db = 10;
static const double hiss_plausible_db = 15, hiss_unlikely_db = 0;
static const double step_plausible_db = 0.5, step_unlikely_db = 0.2;

static const char hum_source[] =
    "at the listener: threshold of hearing, ISO 226:2003 (from memory)";
static const char hiss_source[] =
    "at the listener: hiss in a quiet room, common practice, no source";

bool rb_listener_known(const rb_bench *bench)
{
  return bench->speaker_db > 0 && bench->listener_m > 0;
}

double rb_listener_spl_db(const rb_bench *bench, double level_vrms)
{
  double at_1m_db = bench->speaker_db + rb_db_from_ratio(level_vrms / sensitivity_vrms);
  return at_1m_db - rb_db_from_power(fmax(bench->listener_m, 1));
}

double rb_hearing_threshold_db(double frequency_hz)
{
  static const struct {
    double frequency_hz, threshold_db;
  } rows[] = {{20, 78.5},   {25, 68.7},  {31.5, 59.5}, {40, 51.1},    {50, 44.0},   {63, 37.5},
              {80, 31.5},   {100, 26.5}, {125, 22.1},  {160, 17.9},   {200, 14.4},  {250, 11.4},
              {315, 8.6},   {400, 6.2},  {500, 4.4},   {630, 3.0},    {800, 2.2},   {1000, 2.4},
              {1250, 3.5},  {1600, 1.7}, {2000, -1.3}, {2500, -4.2},  {3150, -6.0}, {4000, -5.4},
              {5000, -1.5}, {6300, 6.0}, {8000, 12.6}, {10000, 13.9}, {12500, 12.3}};
  size_t i = 1;
  while (i + 1 < RB_LEN(rows) && rows[i].frequency_hz < frequency_hz)
    i++;
  double from_hz = rows[i - 1].frequency_hz, to_hz = rows[i].frequency_hz;
  double at_hz =
      fmin(fmax(frequency_hz, rows[0].frequency_hz), rows[RB_LEN(rows) - 1].frequency_hz);
  double share = log(at_hz / from_hz) / log(to_hz / from_hz);
  return rows[i - 1].threshold_db + share * (rows[i].threshold_db - rows[i - 1].threshold_db);
}

// The limits for a reading: over the first it can be heard, under the second hardly.
static bool limits_of(const rb_bench *bench, const char *key, double *plausible_db,
                      double *unlikely_db)
{
  double multiple = 0;
  if (strcmp(key, "noise_a") == 0) {
    *plausible_db = hiss_plausible_db;
    *unlikely_db = hiss_unlikely_db;
    return true;
  }
  if (strncmp(key, "hum_", 4) != 0)
    return false;
  char digits[8];
  bool fits = rb_text_copy(digits, sizeof digits, key + 4);
  char *end = strchr(digits, 'x');
  if (!fits || !end || end[1])
    return false;
  *end = '\0';
  if (!rb_text_to_number(digits, &multiple))
    return false;
  double mains_hz = bench->mains_hz > 0 ? bench->mains_hz : usual_mains_hz;
  *plausible_db = rb_hearing_threshold_db(multiple * mains_hz);
  *unlikely_db = *plausible_db - inaudible_below_threshold_db;
  return true;
}

rb_audible rb_listener_judge(const rb_bench *bench, const char *key, double a_vrms, double b_vrms)
{
  double plausible_db = 0, unlikely_db = 0, loudest_vrms = fmax(a_vrms, b_vrms);
  if (!rb_listener_known(bench) || !limits_of(bench, key, &plausible_db, &unlikely_db) ||
      !(fmin(a_vrms, b_vrms) > 0))
    return RB_AUDIBLE_NO_GUIDE;
  double spl_db = rb_listener_spl_db(bench, loudest_vrms);
  double step_db = fabs(rb_db_from_ratio(b_vrms / a_vrms));
  if (spl_db < unlikely_db || step_db < step_unlikely_db)
    return RB_AUDIBLE_UNLIKELY;
  return spl_db >= plausible_db && step_db >= step_plausible_db ? RB_AUDIBLE_PLAUSIBLE
                                                                : RB_AUDIBLE_NO_GUIDE;
}

static bool in_silence(const rb_effect *effect)
{
  return strncmp(effect->quantity.condition, "silence", 7) == 0 &&
         strcmp(effect->quantity.unit, "V") == 0;
}

rb_status rb_listener_effects(const rb_bench *bench, rb_comparison *comparison, rb_arena *arena)
{
  const rb_effect *loudest = NULL;
  double most_over_db = 0, loudest_spl_db = 0, loudest_limit_db = 0;
  for (size_t i = 0; i < comparison->n_effects && rb_listener_known(bench); i++) {
    rb_effect *effect = &comparison->effects[i];
    double plausible_db = 0, unlikely_db = 0;
    if (!in_silence(effect) || !limits_of(bench, effect->quantity.key, &plausible_db, &unlikely_db))
      continue;
    effect->audible =
        rb_listener_judge(bench, effect->quantity.key, effect->a.value, effect->b.value);
    effect->source = strncmp(effect->quantity.key, "hum_", 4) == 0 ? hum_source : hiss_source;
    effect->confidence = effect->source == hum_source ? "good" : "fair";
    double spl_db = rb_listener_spl_db(bench, fmax(effect->a.value, effect->b.value));
    if (loudest && spl_db - plausible_db <= most_over_db)
      continue;
    loudest = effect;
    most_over_db = spl_db - plausible_db;
    loudest_spl_db = spl_db;
    loudest_limit_db = plausible_db;
  }
  if (!loudest)
    return RB_OK;
  bool hiss = strcmp(loudest->quantity.key, "noise_a") == 0;
  const char *label = rb_reading_kind_find(loudest->quantity.key)->label;
  return swap_note(comparison, arena,
                   "At %g m from loudspeakers of %g dB (1 m, 2.83 V), the most audible of hum and "
                   "hiss is %c%s with %.0f dB SPL%s, %.0f dB %s what can just be heard in quiet.",
                   bench->listener_m, bench->speaker_db, label[0] - 'A' + 'a', label + 1,
                   loudest_spl_db, hiss ? "(A)" : "", fabs(loudest_spl_db - loudest_limit_db),
                   most_over_db >= 0 ? "over" : "under");
}
