// SPDX-License-Identifier: GPL-3.0-or-later
// How many times faster than real time the simulated amplifier runs, both channels, noise on: the
// model alone on one core, by processor time, and the whole simulated rig on two threads, by the
// clock on the wall (run that on idle cores).
#include "rollbook/amp/simulated.h"
#include "rollbook/base/clock.h"
#include "rollbook/base/units.h"
#include "rollbook/rig/rig.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { CARD_HZ = 48000, ROUNDS = 3 };

static const struct {
  const char *name;
  double vpeak; ///< At the amplifier's input; also of full scale with the rig's usual settings.
} drives[] = {{"1 W", 0.106}, {"10 W", 0.335}, {"clipped", 0.85}};

static double model_times(rb_amp *amp, double rate_hz, double vpeak)
{
  const size_t n = (size_t)rate_hz;
  double *input_v = calloc(n, sizeof *input_v);
  if (!input_v || rb_amp_set_rate(amp, rate_hz) != RB_OK)
    abort();
  for (size_t i = 0; i < n; i++)
    input_v[i] = vpeak * sin(2 * RB_PI * 997 * (double)i / rate_hz);
  double best_s = INFINITY;
  for (int k = 0; k < ROUNDS; k++) {
    const clock_t start = clock();
    rb_amp_run_both(amp, (const double *const[2]){input_v, input_v}, n,
                    (double *const[2]){NULL, NULL});
    best_s = fmin(best_s, (double)(clock() - start) / CLOCKS_PER_SEC);
  }
  free(input_v);
  return 1 / best_s;
}

static double rig_times(double rate_hz, double peak)
{
  const size_t n = 4 * CARD_HZ;
  const rb_clock *wall = rb_clock_system();
  const rb_rig_want want = {.rate_hz = CARD_HZ, .load_ohm = 8};
  float *play = calloc(2 * n, sizeof *play), *frames = calloc(2 * n, sizeof *frames);
  char uri[64];
  snprintf(uri, sizeof uri, "sim:warm_s=4000;internal_rate=%.0f", rate_hz);
  rb_rig *rig;
  if (!play || !frames || rb_rig_open(uri, &want, &rig, NULL) != RB_OK)
    abort();
  for (size_t i = 0; i < n; i++)
    play[2 * i] = play[2 * i + 1] = (float)(peak * sin(2 * RB_PI * 997 * (double)i / CARD_HZ));
  const rb_exchange exchange = {
      .play = play, .n_frames = n, .ramp_frames = 480, .clip_level = 1, .stall_s = 2};
  double best_s = INFINITY;
  for (int k = 0; k < ROUNDS; k++) {
    rb_capture capture = {.frames = frames};
    const double start_s = wall->monotonic_s(wall->payload);
    if (rb_rig_exchange(rig, &exchange, &capture, NULL) != RB_OK)
      abort();
    best_s = fmin(best_s, wall->monotonic_s(wall->payload) - start_s);
  }
  rb_rig_close(rig);
  free(play);
  free(frames);
  return (double)n / CARD_HZ / best_s;
}

int main(void)
{
  const rb_amp_setup setup = rb_amp_setup_default();
  rb_arena *arena = rb_arena_new(0);
  rb_amp *amp;
  if (!arena || rb_amp_new(&setup, 96000, arena, &amp, NULL) != RB_OK)
    return 1;
  printf("times real time, both channels\n%9s  %-8s  %-15s  %s\n", "internal", "tone",
         "model, one core", "rig, two threads");
  for (double rate_hz = 96000; rate_hz <= 384000; rate_hz *= 2)
    for (size_t d = 0; d < RB_LEN(drives); d++)
      printf("%6.0f Hz  %-8s  %-15.1f  %.1f\n", rate_hz, drives[d].name,
             model_times(amp, rate_hz, drives[d].vpeak), rig_times(rate_hz, drives[d].vpeak));
  printf("%.2f tube evaluations per sample, %lu failures\n", rb_amp_iterations(amp),
         rb_amp_failures(amp));
  rb_arena_free(arena);
  return 0;
}
