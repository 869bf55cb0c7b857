// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_CLOCK_H
#define ROLLBOOK_BASE_CLOCK_H

/// Time as an interface, so that tests and the simulated rig can set it.
typedef struct rb_clock {
  double (*monotonic_s)(void *payload); ///< Seconds from some start; never goes back.
  double (*utc_s)(void *payload);       ///< Seconds since 1970-01-01 UTC.
  void (*sleep_s)(void *payload, double duration_s);
  void *payload;
} rb_clock;

/// The machine's clock. Shared, not to be freed.
const rb_clock *rb_clock_system(void);

/// The machine's clock in short, for what no test needs to set.
double rb_now_s(void);
void rb_sleep_s(double duration_s);

enum { RB_TIME_SIZE = 32 };

/// Writes "2026-11-25T09:30:20Z" (ISO 8601).
void rb_clock_utc_text(double utc_s, char text[RB_TIME_SIZE]);

#endif
