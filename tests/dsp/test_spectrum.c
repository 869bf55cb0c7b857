// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "scratch.h"
#include "waves.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/fft.h"
#include "rollbook/dsp/spectrum.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

// scipy.signal.welch 1.10.1 (detrend=False, one-sided) on x[j] = 0.5·sin(2π·3000·j/48000) +
// 0.1·(s_{j+1}/2³¹ − 0.5), s_{k+1} = (1103515245·s_k + 12345) mod 2³¹, s_0 = 12345, 8192 samples.
static const struct {
  size_t bin;
  double hann_density, hann_power, blackman_harris_density, rectangular_density;
} witness[] = {
    {0, 1.082417024868e-08, 7.610744706106e-07, 1.170010729342e-08, 8.508656335792e-09},
    {1, 2.708049363199e-08, 1.904097208499e-06, 2.678518367550e-08, 1.871686463335e-08},
    {2, 3.693929464336e-08, 2.597294154611e-06, 3.431757996154e-08, 3.785475668361e-08},
    {10, 3.212098995559e-08, 2.258507106252e-06, 3.489840300690e-08, 2.142949275980e-08},
    {62, 2.938446436111e-08, 2.066095150391e-06, 5.165075096817e-05, 3.780955653962e-08},
    {63, 4.453673736244e-04, 3.131489345797e-02, 6.170601396670e-04, 3.545419506876e-08},
    {64, 1.780138439841e-03, 1.251659840513e-01, 1.332415092730e-03, 2.670269218836e-03},
    {65, 4.453197367043e-04, 3.131154398702e-02, 6.171666160709e-04, 2.275506322814e-08},
    {66, 3.640208714547e-08, 2.559521752416e-06, 5.185331727951e-05, 4.142250810824e-08},
    {100, 3.977038275939e-08, 2.796355037770e-06, 3.843059348092e-08, 4.989503838998e-08},
    {400, 4.045954584900e-08, 2.844811817508e-06, 4.375120642418e-08, 2.679849766799e-08},
    {511, 2.536321035403e-08, 1.783350728017e-06, 2.864938882403e-08, 2.727655942499e-08},
    {512, 1.934218693948e-08, 1.359997519182e-06, 1.628600509273e-08, 2.156812077634e-08},
};

static void averaged_spectra_are_those_of_scipy(void **state)
{
  (void)state;
  enum { N = 8192, BINS = 513 };
  static double x[N], hann[BINS], power[BINS], harris[BINS], flat[BINS];
  uint32_t s = 12345;
  for (size_t j = 0; j < N; j++) {
    s = (1103515245u * s + 12345u) & 0x7fffffffu;
    x[j] = 0.5 * sin(2 * RB_PI * (double)(j % 16) / 16) + 0.1 * ((double)s / 2147483648.0 - 0.5);
  }
  const rb_welch a = {1024, 512, RB_WINDOW_HANN}, b = {1024, 256, RB_WINDOW_BLACKMAN_HARRIS_4},
                 c = {1024, 1024, RB_WINDOW_RECTANGULAR};
  assert_int_equal(rb_welch_density(x, N, 48000, &a, scratch, hann), RB_OK);
  assert_int_equal(rb_welch_power(x, N, &a, scratch, power), RB_OK);
  assert_int_equal(rb_welch_density(x, N, 48000, &b, scratch, harris), RB_OK);
  assert_int_equal(rb_welch_density(x, N, 48000, &c, scratch, flat), RB_OK);
  for (size_t i = 0; i < RB_LEN(witness); i++) {
    const size_t k = witness[i].bin;
    assert_near_relative(hann[k], witness[i].hann_density, 1e-9);
    assert_near_relative(power[k], witness[i].hann_power, 1e-9);
    assert_near_relative(harris[k], witness[i].blackman_harris_density, 1e-9);
    assert_near_relative(flat[k], witness[i].rectangular_density, 1e-9);
  }
  assert_int_equal(rb_arena_bytes(scratch), 0);
  const rb_welch too_long = {N + 1, 1, RB_WINDOW_HANN};
  assert_int_equal(rb_welch_density(x, N, 48000, &too_long, scratch, hann), RB_BAD_ARG);
}

static void the_display_reads_tones_between_bins_and_stays_small(void **state)
{
  (void)state;
  enum { N = 100003 };
  static double x[N];
  memset(x, 0, sizeof x);
  add_cosine(x, N, 48000, 997.37, 0.5, 1);
  add_cosine(x, N, 48000, 12345.6, 0.5e-6, 1);
  rb_display_spectrum display;
  const rb_arena_mark mark = rb_arena_save(scratch);
  assert_int_equal(rb_spectrum_display(x, N, 48000, 20, 20000, 1200, scratch, &display), RB_OK);
  assert_true(display.n <= 1200 && display.n > 600);
  double tone = 0, weak = 0, floor_rms = 0;
  for (size_t i = 0; i < display.n; i++) {
    assert_true(i == 0 || display.frequency_hz[i] > display.frequency_hz[i - 1]);
    assert_true(display.frequency_hz[i] >= 20 && display.frequency_hz[i] <= 20000);
    if (fabs(display.frequency_hz[i] - 997.37) < 2)
      tone = fmax(tone, display.rms[i]);
    else if (fabs(display.frequency_hz[i] - 12345.6) < 40)
      weak = fmax(weak, display.rms[i]);
    else if (fabs(display.frequency_hz[i] - 997.37) > 40)
      floor_rms = fmax(floor_rms, display.rms[i]);
  }
  assert_near(rb_db_from_ratio(tone / (0.5 * sqrt(0.5))), 0, 0.0025);
  assert_near(rb_db_from_ratio(weak / (0.5e-6 * sqrt(0.5))), 0, 0.0025);
  assert_at_most(rb_db_from_ratio(floor_rms / tone), -144);
  assert_near(display.resolution_hz, 4.5386 * 48000 / N, 1e-3);
  rb_arena_rewind(scratch, mark);
  assert_int_equal(rb_spectrum_display(x, 63, 48000, 20, 20000, 1200, scratch, &display),
                   RB_BAD_ARG);
  assert_int_equal(rb_spectrum_display(x, N, 48000, 30000, 40000, 1200, scratch, &display),
                   RB_BAD_ARG);
}

static void noise_on_the_display_reads_its_density(void **state)
{
  (void)state;
  enum { N = 65536 };
  static double x[N];
  rb_random random = rb_random_seeded(4);
  memset(x, 0, sizeof x);
  add_noise(x, N, 0.01, &random);
  rb_display_spectrum display;
  const rb_arena_mark mark = rb_arena_save(scratch);
  assert_int_equal(rb_spectrum_display(x, N, 48000, 1, 24000, N, scratch, &display), RB_OK);
  double sum = 0;
  for (size_t i = 0; i < display.n; i++)
    sum += display.rms[i] * display.rms[i] / (double)display.n;
  const double density_per_hz = 1e-4 / 24000;
  assert_near(rb_db_from_power(sum / (density_per_hz * display.resolution_hz)), 0, 0.9);
  rb_arena_rewind(scratch, mark);
}

static void transforms_go_there_and_back_at_any_length_and_alignment(void **state)
{
  (void)state;
  static double x[1025], back[1025];
  static double complex spectrum[1025];
  static const size_t lengths[] = {1, 2, 3, 16, 97, 1000, 1024};
  rb_random random = rb_random_seeded(8);
  for (size_t i = 0; i < RB_LEN(lengths); i++)
    for (size_t shift = 0; shift < 2; shift++) {
      const size_t n = lengths[i];
      rb_fft *fft = rb_fft_new(n);
      assert_non_null(fft);
      memset(x, 0, sizeof x);
      add_noise(x + shift, n, 1, &random);
      rb_fft_forward(fft, x + shift, spectrum);
      double complex direct = 0;
      for (size_t j = 0; j < n; j++)
        direct += x[shift + j] * cexp(CMPLX(0, -2 * RB_PI * (double)(j * (n / 3)) / (double)n));
      assert_near(cabs(spectrum[n / 3] - direct), 0, 1e-10);
      rb_fft_inverse(fft, spectrum, back + shift);
      for (size_t j = 0; j < n; j++)
        assert_near(back[shift + j], x[shift + j], 1e-12);
      rb_fft_free(fft);
    }
  rb_fft_free(NULL);
  assert_int_equal(rb_fft_good_size(1021), 1024);
  assert_int_equal(rb_fft_good_size(1025), 1050);
  assert_int_equal(rb_fft_good_size(0), 2);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(averaged_spectra_are_those_of_scipy),
      cmocka_unit_test(the_display_reads_tones_between_bins_and_stays_small),
      cmocka_unit_test(noise_on_the_display_reads_its_density),
      cmocka_unit_test(transforms_go_there_and_back_at_any_length_and_alignment),
  };
  return cmocka_run_group_tests(tests, make_scratch, free_scratch);
}
