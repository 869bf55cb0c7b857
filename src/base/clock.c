// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/clock.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <time.h>

static double seconds_of(clockid_t id)
{
  struct timespec now;
  clock_gettime(id, &now);
  return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double system_monotonic_s(void *payload)
{
  (void)payload;
  return seconds_of(CLOCK_MONOTONIC);
}

static double system_utc_s(void *payload)
{
  (void)payload;
  return seconds_of(CLOCK_REALTIME);
}

static void system_sleep_s(void *payload, double duration_s)
{
  (void)payload;
  if (!(duration_s > 0))
    return;
  struct timespec left = {.tv_sec = (time_t)duration_s,
                          .tv_nsec = (long)(fmod(duration_s, 1.0) * 1e9)};
  while (nanosleep(&left, &left) != 0 && errno == EINTR)
    ;
}

const rb_clock *rb_clock_system(void)
{
  static const rb_clock system_clock = {system_monotonic_s, system_utc_s, system_sleep_s, NULL};
  return &system_clock;
}

double rb_now_s(void)
{
  return system_monotonic_s(NULL);
}

void rb_sleep_s(double duration_s)
{
  system_sleep_s(NULL, duration_s);
}

void rb_clock_utc_text(double utc_s, char text[RB_TIME_SIZE])
{
  time_t whole = (time_t)floor(utc_s);
  struct tm parts;
  if (!gmtime_r(&whole, &parts) || !strftime(text, RB_TIME_SIZE, "%Y-%m-%dT%H:%M:%SZ", &parts))
    snprintf(text, RB_TIME_SIZE, "unknown time");
}
