// SPDX-License-Identifier: GPL-3.0-or-later
// How many times faster than real time the simulated amplifier runs: both channels, one thread
// each, the supply exchanged every half millisecond, noise on. Run on two idle cores.
#include "rollbook/amp/simulated.h"
#include "rollbook/base/clock.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>

typedef struct worker {
  rb_amp *amp;
  unsigned channel;
  const double *input_v;
  double *load_v;
  size_t n;
  pthread_barrier_t *barrier;
} worker;

static void *work(void *payload)
{
  const worker *w = payload;
  const size_t block = rb_amp_block(w->amp);
  for (size_t i = 0; i < w->n; i += block) {
    rb_amp_run(w->amp, w->channel, w->input_v + i, block, w->load_v + i);
    if (pthread_barrier_wait(w->barrier) == PTHREAD_BARRIER_SERIAL_THREAD)
      rb_amp_block_done(w->amp, block);
    pthread_barrier_wait(w->barrier);
  }
  return NULL;
}

static double seconds_for(rb_amp *amp, const double *input_v, double *const load_v[2], size_t n)
{
  const rb_clock *clock = rb_clock_system();
  pthread_barrier_t barrier;
  pthread_barrier_init(&barrier, NULL, 2);
  worker workers[2];
  pthread_t thread;
  const double start_s = clock->monotonic_s(clock->payload);
  for (unsigned c = 0; c < 2; c++)
    workers[c] = (worker){amp, c, input_v, load_v[c], n, &barrier};
  if (pthread_create(&thread, NULL, work, &workers[1]))
    abort();
  work(&workers[0]);
  pthread_join(thread, NULL);
  pthread_barrier_destroy(&barrier);
  return clock->monotonic_s(clock->payload) - start_s;
}

static void bench_rate(rb_amp *amp, double rate_hz)
{
  static const struct {
    const char *name;
    double vpeak;
  } drives[] = {{"1 W", 0.106}, {"10 W", 0.335}, {"clipped", 0.85}};
  const size_t n = (size_t)rate_hz / 1920 * 1920;
  double *input_v = calloc(n, sizeof *input_v);
  double *const load_v[2] = {calloc(n, sizeof(double)), calloc(n, sizeof(double))};
  if (!input_v || !load_v[0] || !load_v[1] || rb_amp_set_rate(amp, rate_hz) != RB_OK)
    abort();
  for (size_t d = 0; d < RB_LEN(drives); d++) {
    for (size_t i = 0; i < n; i++)
      input_v[i] = drives[d].vpeak * sin(2 * RB_PI * 997 * (double)i / rate_hz);
    double best_s = INFINITY;
    for (int k = 0; k < 4; k++)
      best_s = fmin(best_s, seconds_for(amp, input_v, load_v, n));
    printf("%6.0f Hz  %-8s %6.1f times real time\n", rate_hz, drives[d].name,
           (double)n / rate_hz / best_s);
  }
  free(input_v);
  free(load_v[0]);
  free(load_v[1]);
}

int main(void)
{
  const rb_amp_setup setup = rb_amp_setup_default();
  rb_arena *arena = rb_arena_new(0);
  rb_amp *amp;
  rb_err err;
  if (!arena || rb_amp_new(&setup, 96000, arena, &amp, &err) != RB_OK)
    return 1;
  for (double rate_hz = 96000; rate_hz <= 384000; rate_hz *= 2)
    bench_rate(amp, rate_hz);
  printf("%.2f tube evaluations per sample, %lu failures\n", rb_amp_iterations(amp),
         rb_amp_failures(amp));
  rb_arena_free(arena);
  return 0;
}
