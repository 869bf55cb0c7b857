// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"
#include "waves.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/tone.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

enum { LONGEST = 20 * 192000, LONGEST_OF_SPREAD = 96000 };

static double clean[LONGEST_OF_SPREAD], samples[LONGEST];
static double to_rad(double deg)
{
  return deg * RB_PI / 180;
}

// ---- efficiency
// ----------------------------------------------------------------------------------

typedef struct spread_case {
  double rate_hz, hz, snr_db;
  size_t n;
  double harmonic, hum; // of each of H2 … H10, of 1× … 3× mains; re the tone
  int rounds;
} spread_case;

typedef struct spread {
  double frequency, amplitude, phase, h2; // rms error over the bound
} spread;

// Cramér–Rao bounds of one real tone in white noise, η = A²/(2σ²) (D. C. Rife, R. R. Boorstyn, IEEE
// Trans. IT-20(5), 1974, for the complex tone; a real one has twice the variance).
static spread bounds(const spread_case *c, double amplitude)
{
  const double n = (double)c->n, eta = pow(10, c->snr_db / 10);
  return (spread){.frequency = c->rate_hz / (2 * RB_PI) * sqrt(12 / (eta * n * (n * n - 1))),
                  .amplitude = amplitude / sqrt(eta * n),
                  .phase = sqrt(2 * (2 * n - 1) / (eta * n * (n + 1))),
                  .h2 = amplitude / sqrt(eta * n)};
}

static spread measured(const spread_case *c)
{
  const double amplitude = 0.5, phase = 0.7, eta = pow(10, c->snr_db / 10);
  memset(clean, 0, c->n * sizeof(double));
  add_cosine(clean, c->n, c->rate_hz, c->hz, amplitude, phase);
  for (int k = 2; k <= 10 && c->harmonic > 0; k++)
    add_cosine(clean, c->n, c->rate_hz, k * c->hz, c->harmonic * amplitude, k);
  for (int m = 1; m <= 3 && c->hum > 0; m++)
    add_cosine(clean, c->n, c->rate_hz, m * 50.013, c->hum * amplitude, m);
  for (size_t j = 0; j < c->n; j++)
    clean[j] += 0.01;
  spread sum = {0};
  rb_random random = rb_random_seeded(c->n + (uint64_t)c->hz);
  for (int round = 0; round < c->rounds; round++) {
    memcpy(samples, clean, c->n * sizeof(double));
    add_noise(samples, c->n, sqrt(amplitude * amplitude / 2 / eta), &random);
    rb_tone_options options = rb_tone_options_default();
    options.expected_hz = c->hz * 1.003;
    rb_tone tone;
    assert_int_equal(rb_tone_analyse(samples, c->n, c->rate_hz, &options, scratch, &tone, NULL),
                     RB_OK);
    const double frequency = tone.frequency_hz.value - c->hz;
    const double size = tone.amplitude.value - amplitude;
    const double angle = to_rad(rb_fold_deg(tone.phase_deg.value - rb_deg_from_rad(phase)));
    const double h2 = tone.harmonic[2].amplitude.value - c->harmonic * amplitude;
    sum.frequency += frequency * frequency / c->rounds;
    sum.amplitude += size * size / c->rounds;
    sum.phase += angle * angle / c->rounds;
    sum.h2 += h2 * h2 / c->rounds;
  }
  const spread bound = bounds(c, amplitude);
  return (spread){.frequency = sqrt(sum.frequency) / bound.frequency,
                  .amplitude = sqrt(sum.amplitude) / bound.amplitude,
                  .phase = sqrt(sum.phase) / bound.phase,
                  .h2 = sqrt(sum.h2) / bound.h2};
}

// An rms over N rounds spreads by 1/√(2N) itself; three of those are granted on top of the 5 %.
static void estimates_spread_no_more_than_the_bound_allows(void **state)
{
  (void)state;
  static const spread_case cases[] = {
      {48000, 1234.5678, 60, 4096, 0, 0, 2000},
      {48000, 1234.5678, 60, 4096, 0.01, 0, 1000},
      {44100, 997.3, 40, 22050, 0.003, 0, 500},
      {44100, 997.3, 80, 22050, 0.003, 0.01, 500},
      {44100, 10.3, 60, 22050, 0.003, 0, 500},
      {44100, 31.7, 60, 22050, 0.003, 0.01, 500},
      {96000, 7123.4, 90, 48000, 0.0003, 0.01, 300},
      {192000, 19001.4, 100, 96000, 0, 0.001, 200},
      {192000, 997, 0, 96000, 0, 0, 200},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    const spread s = measured(&cases[i]);
    print_message(
        "%6.0f Hz, %6.2f s, tone %9.4f Hz, %3.0f dB: over the bound f %.3f A %.3f phase %.3f",
        cases[i].rate_hz, (double)cases[i].n / cases[i].rate_hz, cases[i].hz, cases[i].snr_db,
        s.frequency, s.amplitude, s.phase);
    print_message(cases[i].harmonic > 0 ? " H2 %.3f\n" : "\n", s.h2);
    const double most = 1.05 * (1 + 3 / sqrt(2.0 * cases[i].rounds));
    assert_at_most(s.frequency, most);
    assert_at_most(s.amplitude, most);
    assert_at_most(s.phase, most);
    if (cases[i].harmonic > 0)
      assert_at_most(s.h2, most);
  }
}

// ---- coverage
// ------------------------------------------------------------------------------------

// How often a quantity's truth lies within one and three of its standard uncertainties.
typedef struct coverage {
  const char *name;
  size_t n, within_one, within_three;
} coverage;

enum {
  FREQUENCY,
  AMPLITUDE,
  PHASE,
  OFFSET,
  HARMONIC,
  HARMONIC_PHASE,
  SIGNED_H2,
  THD,
  NOISE,
  MAINS,
  N_KINDS
};

static coverage counts[N_KINDS] = {{.name = "frequency"}, {.name = "amplitude"},
                                   {.name = "phase"},     {.name = "offset"},
                                   {.name = "harmonic"},  {.name = "harmonic's angle"},
                                   {.name = "signed H2"}, {.name = "THD"},
                                   {.name = "noise"},     {.name = "mains"}};

static void count(int kind, double error, double uncertainty)
{
  counts[kind].n++;
  counts[kind].within_one += fabs(error) <= uncertainty;
  counts[kind].within_three += fabs(error) <= 3 * uncertainty;
}

typedef struct truth {
  double rate_hz, hz, amplitude, phase, offset, noise_rms, mains_hz;
  double ratio[RB_TONE_HARMONICS + 1], angle[RB_TONE_HARMONICS + 1]; // angle against the tone
  size_t n;
} truth;

static truth drawn(rb_random *random)
{
  static const double rates_hz[] = {44100, 48000, 88200, 96000, 192000};
  truth t = {.rate_hz = rates_hz[rb_random_below(random, 5)]};
  // from 0.5 s to 20 s, mostly short
  const double length_s =
      fmin(LONGEST / t.rate_hz, 0.5 * pow(40, pow(rb_random_uniform(random), 4)));
  t.n = (size_t)(length_s * t.rate_hz);
  t.hz = fmax(6 / length_s, 20) * pow(300, rb_random_uniform(random));
  t.amplitude = pow(10, -3 * rb_random_uniform(random));
  t.phase = 2 * RB_PI * (rb_random_uniform(random) - 0.5);
  t.offset = 0.1 * (rb_random_uniform(random) - 0.5);
  t.noise_rms = t.amplitude * pow(10, -1.5 - 3.5 * rb_random_uniform(random));
  t.mains_hz = 49.8 + 0.4 * rb_random_uniform(random);
  for (int k = 2; k <= RB_TONE_HARMONICS; k++) {
    t.ratio[k] = pow(10, -1 - 4 * rb_random_uniform(random));
    t.angle[k] = 2 * RB_PI * (rb_random_uniform(random) - 0.5);
  }
  return t;
}

static void sound(const truth *t, rb_random *random)
{
  memset(samples, 0, t->n * sizeof(double));
  add_cosine(samples, t->n, t->rate_hz, t->hz, t->amplitude, t->phase);
  for (int k = 2; k <= RB_TONE_HARMONICS; k++)
    if (k * t->hz < 0.49 * t->rate_hz)
      add_cosine(samples, t->n, t->rate_hz, k * t->hz, t->ratio[k] * t->amplitude,
                 t->angle[k] + k * t->phase);
  for (int m = 1; m <= 3; m++)
    add_cosine(samples, t->n, t->rate_hz, m * t->mains_hz, 0.01 * t->amplitude, m);
  for (size_t j = 0; j < t->n; j++)
    samples[j] += t->offset;
  add_noise(samples, t->n, t->noise_rms, random);
}

// Mains lines closer than this to a harmonic cannot be told from it by any analysis.
static bool is_apart_from_mains(const truth *t)
{
  for (int k = 1; k <= RB_TONE_HARMONICS; k++)
    for (int m = 1; m <= 6; m++)
      if (fabs(k * t->hz - m * t->mains_hz) * (double)t->n / t->rate_hz < 4)
        return false;
  return true;
}

static void compare_harmonics(const truth *t, const rb_tone *tone)
{
  double squares = 0;
  for (int k = 2; k <= RB_TONE_HARMONICS; k++) {
    const rb_harmonic *h = &tone->harmonic[k];
    assert_int_equal(h->present, k * t->hz < 0.49 * t->rate_hz);
    if (!h->present)
      continue;
    if (h->in_band)
      squares += t->ratio[k] * t->ratio[k];
    if (h->amplitude.value < 4 * h->amplitude.uncertainty)
      continue; // first order holds where the line stands clear of the noise
    count(HARMONIC, h->amplitude.value - t->ratio[k] * t->amplitude, h->amplitude.uncertainty);
    count(HARMONIC_PHASE, rb_fold_deg(h->phase_deg.value - rb_deg_from_rad(t->angle[k])),
          h->phase_deg.uncertainty);
  }
  if (tone->harmonic[2].present)
    count(SIGNED_H2, tone->h2_signed_ratio.value - t->ratio[2] * cos(t->angle[2]),
          tone->h2_signed_ratio.uncertainty);
  if (tone->thd_ratio.resolved)
    count(THD, tone->thd_ratio.value - sqrt(squares), tone->thd_ratio.uncertainty);
}

static void compare(const truth *t, const rb_tone *tone)
{
  count(FREQUENCY, tone->frequency_hz.value - t->hz, tone->frequency_hz.uncertainty);
  count(AMPLITUDE, tone->amplitude.value - t->amplitude, tone->amplitude.uncertainty);
  count(PHASE, rb_fold_deg(tone->phase_deg.value - rb_deg_from_rad(t->phase)),
        tone->phase_deg.uncertainty);
  count(OFFSET, tone->dc.value - t->offset, tone->dc.uncertainty);
  compare_harmonics(t, tone);
  const double in_band = t->noise_rms * sqrt((fmin(20000, t->rate_hz / 2) - 20) / (t->rate_hz / 2));
  count(NOISE, tone->noise_rms.value - in_band, tone->noise_rms.uncertainty);
  if (tone->mains_found)
    count(MAINS, tone->mains_hz.value - t->mains_hz, tone->mains_hz.uncertainty);
}

// For a normal error: 68.3 % within one and 99.7 % within three standard uncertainties. The bands
// leave room for uncertainties that are estimates themselves, and for the count's own spread.
static void random_signals_come_back_within_their_uncertainty(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(20261125);
  size_t used = 0;
  for (int round = 0; round < 480; round++) {
    const truth t = drawn(&random);
    if (!is_apart_from_mains(&t))
      continue;
    sound(&t, &random);
    rb_tone_options options = rb_tone_options_default();
    options.expected_hz = t.hz * (1 + 0.01 * (rb_random_uniform(&random) - 0.5));
    rb_tone tone;
    rb_err err = {0};
    const rb_status status =
        rb_tone_analyse(samples, t.n, t.rate_hz, &options, scratch, &tone, &err);
    if (status != RB_OK)
      print_error("%g Hz at %g Hz, %zu samples: %s\n", t.hz, t.rate_hz, t.n, err.message);
    assert_int_equal(status, RB_OK);
    compare(&t, &tone);
    used++;
  }
  assert_true(used > 300);
  for (int kind = 0; kind < N_KINDS; kind++) {
    const double n = (double)counts[kind].n, one = (double)counts[kind].within_one / n,
                 three = (double)counts[kind].within_three / n;
    print_message("%-17s %5.0f: within one %.3f, within three %.4f\n", counts[kind].name, n, one,
                  three);
    assert_true(n > 150);
    assert_true(one > 0.60 && one < 0.76);
    assert_true(three >= 0.99);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(estimates_spread_no_more_than_the_bound_allows),
      cmocka_unit_test(random_signals_come_back_within_their_uncertainty),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
