// SPDX-License-Identifier: GPL-3.0-or-later

// With no argument: the spread of the tone estimates over the Cramér–Rao bound and the time of a
// 10 s stereo analysis at 96 kHz. With FILE: analyses the two channels of 64-bit floats in it (left
// then right, at 96 kHz) and prints "milliseconds hz amplitude h2_db h3_db" a channel, for
// bench_tone.py, which sets SciPy and NumPy beside it.
#include "waves.h"

#include "rollbook/base/clock.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/tone.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { STEREO_LENGTH = 960000, CHANNELS = 2, REPEATS = 5, SHORT_LENGTH = 48000, ROUNDS = 1000 };

#define STEREO_RATE_HZ 96000.0

static double samples[CHANNELS * STEREO_LENGTH];

static rb_tone analyse(const double *x, size_t n, double rate_hz, rb_arena *arena)
{
  rb_tone tone;
  rb_err err = {0};
  const rb_tone_options options = rb_tone_options_default();
  if (rb_tone_analyse(x, n, rate_hz, &options, arena, &tone, &err) != RB_OK) {
    fprintf(stderr, "%s\n", err.message);
    exit(1);
  }
  return tone;
}

// The best of several runs, so that what else the machine does weighs little.
static double best_ms(const double *x, rb_arena *arena, rb_tone *tone)
{
  double best = INFINITY;
  const rb_clock *clock = rb_clock_system();
  for (int i = 0; i < REPEATS; i++) {
    const double start_s = clock->monotonic_s(clock->payload);
    *tone = analyse(x, STEREO_LENGTH, STEREO_RATE_HZ, arena);
    best = fmin(best, 1e3 * (clock->monotonic_s(clock->payload) - start_s));
  }
  return best;
}

static int from_file(const char *path, rb_arena *arena)
{
  FILE *file = fopen(path, "rb");
  if (!file || fread(samples, sizeof samples, 1, file) != 1) {
    fprintf(stderr, "'%s' does not hold two channels of 10 s at 96 kHz.\n", path);
    return 2;
  }
  fclose(file);
  for (int channel = 0; channel < CHANNELS; channel++) {
    rb_tone tone;
    const double ms = best_ms(samples + channel * STEREO_LENGTH, arena, &tone);
    printf("%.3f %.12f %.12f %.4f %.4f\n", ms, tone.frequency_hz.value, tone.amplitude.value,
           rb_db_from_ratio(tone.harmonic[2].ratio.value),
           rb_db_from_ratio(tone.harmonic[3].ratio.value));
  }
  return 0;
}

// A tone of 1 s at 48 kHz, 60 dB over white noise, with hum at −40 dB.
static void print_spread(rb_arena *arena)
{
  static double clean[SHORT_LENGTH];
  const double hz = 997.3, amplitude = 0.5, eta = 1e6, n = SHORT_LENGTH;
  add_cosine(clean, SHORT_LENGTH, 48000, hz, amplitude, 0);
  for (int k = 1; k <= 3; k++) {
    add_cosine(clean, SHORT_LENGTH, 48000, 50.013 * k, 0.01 * amplitude, k);
    add_cosine(clean, SHORT_LENGTH, 48000, hz * (k + 1), 1e-3 * amplitude, k);
  }
  rb_random random = rb_random_seeded(1);
  double frequency = 0, size = 0, angle = 0;
  for (int round = 0; round < ROUNDS; round++) {
    memcpy(samples, clean, sizeof clean);
    add_noise(samples, SHORT_LENGTH, amplitude / sqrt(2 * eta), &random);
    const rb_tone tone = analyse(samples, SHORT_LENGTH, 48000, arena);
    frequency += pow(tone.frequency_hz.value - hz, 2) / ROUNDS;
    size += pow(tone.amplitude.value - amplitude, 2) / ROUNDS;
    angle += pow(tone.phase_deg.value * RB_PI / 180, 2) / ROUNDS;
  }
  printf("spread over the Cramér–Rao bound, %d rounds: frequency %.3f, amplitude %.3f, phase %.3f "
         "(aim ≤ 1.05)\n",
         ROUNDS, sqrt(frequency) / (48000 / (2 * RB_PI) * sqrt(12 / (eta * n * (n * n - 1)))),
         sqrt(size) / (amplitude / sqrt(eta * n)),
         sqrt(angle) / sqrt(2 * (2 * n - 1) / (eta * n * (n + 1))));
}

static void print_time(rb_arena *arena)
{
  rb_random random = rb_random_seeded(2);
  memset(samples, 0, sizeof samples);
  for (int k = 1; k <= 10; k++)
    add_cosine(samples, STEREO_LENGTH, STEREO_RATE_HZ, 997.314 * k, k == 1 ? 0.5 : 1e-4, k);
  for (int m = 1; m <= 3; m++)
    add_cosine(samples, STEREO_LENGTH, STEREO_RATE_HZ, 50.013 * m, 1e-3, m);
  add_noise(samples, STEREO_LENGTH, 1e-5, &random);
  rb_tone tone;
  const double ms = best_ms(samples, arena, &tone);
  printf("10 s at 96 kHz: %.1f ms a channel, %.0f times real time, %zu lines\n", ms, 1e4 / ms,
         tone.n_lines);
}

int main(int argc, char **argv)
{
  rb_arena *arena = rb_arena_new(0);
  if (!arena)
    return 1;
  int code = 0;
  if (argc > 1) {
    code = from_file(argv[1], arena);
  } else {
    print_spread(arena);
    print_time(arena);
  }
  rb_arena_free(arena);
  return code;
}
