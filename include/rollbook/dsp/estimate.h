// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_ESTIMATE_H
#define ROLLBOOK_DSP_ESTIMATE_H

#include <stdbool.h>

/// A number with what must be known to trust it. All four in one unit.
typedef struct rb_estimate {
  double value;       ///< Best estimate, resolved or not.
  double uncertainty; ///< One standard uncertainty (JCGM 100:2008, 4.2), first order.
  double floor;       ///< What noise alone stays below here 95 times in 100; 0: has no floor.
  bool resolved;      ///< value is above floor. Where not, publish the upper bound.
} rb_estimate;

/// A size that lies below this with 95 % confidence: value + 1.645·uncertainty, at least the floor.
static inline double rb_estimate_upper(const rb_estimate *estimate)
{
  const double upper_value = estimate->value + 1.645 * estimate->uncertainty;
  return upper_value > estimate->floor ? upper_value : estimate->floor;
}

#endif
