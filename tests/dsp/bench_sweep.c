// SPDX-License-Identifier: GPL-3.0-or-later
/// Times the whole sweep analysis of one channel: `dsp_bench_sweep FILE.f64 RATE N` with raw
/// doubles. Prints milliseconds (best of five) and |H1| at 1 kHz. Without arguments it says how to
/// call it.
#include "rollbook/base/arena.h"
#include "rollbook/dsp/response.h"
#include "rollbook/dsp/sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { MOST = 600 };

static double complex response[MOST];
static double freq_hz[MOST], noise[MOST];

static double now_ms(void)
{
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return 1e3 * (double)t.tv_sec + 1e-6 * (double)t.tv_nsec;
}

static int analyse(const rb_sweep *sweep, const double *capture, size_t n, rb_arena *arena)
{
  rb_impulse impulse;
  const size_t points = rb_log_grid(20, 20000, 24, freq_hz);
  if (rb_sweep_deconvolve(sweep, capture, n, 0, arena, &impulse) != RB_OK)
    return 1;
  const double delay_s = rb_impulse_delay_s(&impulse, -0.002, 0.05, NULL);
  if (rb_impulse_harmonics(&impulse, delay_s, arena) != RB_OK)
    return 1;
  for (unsigned order = RB_SWEEP_MAX_ORDER; order >= 1; order--)
    if (rb_impulse_response(&impulse, order, delay_s, freq_hz, points, arena, response, noise) !=
        RB_OK)
      return 1;
  return 0;
}

int main(int argc, char **argv)
{
  if (argc != 4) {
    puts("dsp_bench_sweep FILE.f64 RATE N: see bench_sweep.py");
    return 0;
  }
  const double rate_hz = atof(argv[2]);
  const size_t n = (size_t)atol(argv[3]);
  double *capture = calloc(n, sizeof *capture);
  FILE *file = fopen(argv[1], "rb");
  rb_sweep sweep;
  if (!file || !capture || fread(capture, sizeof *capture, n, file) != n ||
      rb_sweep_design(10, 0.46 * rate_hz, 5, rate_hz, &sweep) != RB_OK)
    return 1;
  fclose(file);
  double best_ms = HUGE_VAL;
  for (int run = 0; run < 5; run++) {
    rb_arena *arena = rb_arena_new(0);
    const double start_ms = now_ms();
    if (analyse(&sweep, capture, n, arena) != 0)
      return 1;
    best_ms = fmin(best_ms, now_ms() - start_ms);
    rb_arena_free(arena);
  }
  size_t at = 0;
  while (freq_hz[at] < 999.9)
    at++;
  printf("%.3f %.9f\n", best_ms, cabs(response[at]));
  free(capture);
  return 0;
}
