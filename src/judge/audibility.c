// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/audibility.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

static const rb_guide guides[] = {
#define GUIDE(key, of, plausible, unlikely, confidence, source)                                    \
  {#key, RB_GUIDE_##of, plausible, unlikely, confidence, source},
#include "rollbook/judge/audibility.def"
#undef GUIDE
};

const char *rb_audible_name(rb_audible audible)
{
  static const char *const names[] = {
      [RB_AUDIBLE_NO_GUIDE] = "no guide",
      [RB_AUDIBLE_UNLIKELY] = "unlikely",
      [RB_AUDIBLE_PLAUSIBLE] = "plausible",
  };
  return (size_t)audible < RB_LEN(names) ? names[audible] : "no guide";
}

const rb_guide *rb_guides(size_t *n)
{
  *n = RB_LEN(guides);
  return guides;
}

const rb_guide *rb_guide_find(const char *key)
{
  for (size_t i = 0; i < RB_LEN(guides); i++)
    if (strcmp(guides[i].key, key) == 0)
      return &guides[i];
  return NULL;
}

static double share_pct(const char *unit, double value)
{
  return strcmp(unit, "dB") == 0 ? 100 * rb_ratio_from_db(value) : value;
}

rb_audible rb_guide_judge(const rb_guide *guide, const char *unit, double a, double difference)
{
  double size = 0;
  switch (guide->of) {
  case RB_GUIDE_STEP_DB:
    size = fabs(difference);
    break;
  case RB_GUIDE_SHARE_PCT:
    size = fabs(share_pct(unit, a + difference) - share_pct(unit, a));
    break;
  case RB_GUIDE_LEAST_DB: // turned over, so that one comparison serves all rows
    size = -fmin(a, a + difference);
    break;
  }
  double sign = guide->of == RB_GUIDE_LEAST_DB ? -1 : 1;
  if (size >= sign * guide->plausible_at)
    return RB_AUDIBLE_PLAUSIBLE;
  return size < sign * guide->unlikely_at ? RB_AUDIBLE_UNLIKELY : RB_AUDIBLE_NO_GUIDE;
}
