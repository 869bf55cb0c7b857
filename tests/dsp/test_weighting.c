// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/weighting.h"

#include <math.h>

static double gain_db(rb_weighting weighting, double freq_hz)
{
  return rb_db_from_ratio(rb_weighting_gain(weighting, freq_hz));
}

// IEC 61672-1:2002 Table 2 (tabulated at the exact base-ten frequency of each nominal one), and
// beside it the curve itself, from the equations of 5.4.6 to 5.4.11 in 60-digit arithmetic.
static const struct {
  int third; // 1000·10^(third/10) Hz
  double a_table_db, a_db, c_table_db, c_db;
} IEC_61672[] = {
    {-20, -70.4, -70.4304, -14.3, -14.3300},
    {-19, -63.4, -63.3711, -11.2, -11.2486},
    {-18, -56.7, -56.6881, -8.5, -8.5307},
    {-17, -50.5, -50.4522, -6.2, -6.2401},
    {-16, -44.7, -44.7030, -4.4, -4.4055},
    {-15, -39.4, -39.4400, -3.0, -3.0103},
    {-14, -34.6, -34.6303, -2.0, -1.9987},
    {-13, -30.2, -30.2282, -1.3, -1.2940},
    {-12, -26.2, -26.1943, -0.8, -0.8180},
    {-11, -22.5, -22.5038, -0.5, -0.5038},
    {-10, -19.1, -19.1428, -0.3, -0.2996},
    {-9, -16.1, -16.0984, -0.2, -0.1685},
    {-8, -13.4, -13.3503, -0.1, -0.0851},
    {-7, -10.9, -10.8704, 0, -0.0325},
    {-6, -8.6, -8.6303, 0, 0.0000},
    {-5, -6.6, -6.6110, 0, 0.0193},
    {-4, -4.8, -4.8084, 0, 0.0294},
    {-3, -3.2, -3.2327, 0, 0.0326},
    {-2, -1.9, -1.9005, 0, 0.0294},
    {-1, -0.8, -0.8239, 0, 0.0193},
    {0, 0, 0, 0, 0},
    {1, 0.6, 0.5912, 0, -0.0325},
    {2, 1.0, 0.9807, -0.1, -0.0851},
    {3, 1.2, 1.1999, -0.2, -0.1685},
    {4, 1.3, 1.2707, -0.3, -0.2996},
    {5, 1.2, 1.1987, -0.5, -0.5038},
    {6, 1.0, 0.9699, -0.8, -0.8180},
    {7, 0.5, 0.5487, -1.3, -1.2940},
    {8, -0.1, -0.1212, -2.0, -1.9987},
    {9, -1.1, -1.1107, -3.0, -3.0103},
    {10, -2.5, -2.4918, -4.4, -4.4055},
    {11, -4.3, -4.3175, -6.2, -6.2401},
    {12, -6.6, -6.6026, -8.5, -8.5307},
    {13, -9.3, -9.3169, -11.2, -11.2486},
};

static void a_and_c_follow_the_table_of_iec_61672(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(IEC_61672); i++) {
    const double freq_hz = 1000 * pow(10, IEC_61672[i].third / 10.0);
    assert_near(gain_db(RB_WEIGHTING_A, freq_hz), IEC_61672[i].a_table_db, 0.0501);
    assert_near(gain_db(RB_WEIGHTING_C, freq_hz), IEC_61672[i].c_table_db, 0.0501);
    assert_near(gain_db(RB_WEIGHTING_A, freq_hz), IEC_61672[i].a_db, 0.0001);
    assert_near(gain_db(RB_WEIGHTING_C, freq_hz), IEC_61672[i].c_db, 0.0001);
  }
}

// ITU-R BS.468-4 Table 1: response and tolerance. The tolerance at 6300 Hz is printed as 0 (the
// point the network is adjusted at); 0.05 dB, the rounding of the table, stands here for it. The
// one at 31.5 kHz is from memory and one-sided; ±2.8 here.
static const double BS_468[][3] = {{31.5, -29.9, 2.0},  {63, -23.9, 1.4},    {100, -19.8, 1.0},
                                   {200, -13.8, 0.85},  {400, -7.8, 0.7},    {800, -1.9, 0.55},
                                   {1000, 0, 0.5},      {2000, 5.6, 0.5},    {3150, 9.0, 0.5},
                                   {4000, 10.5, 0.5},   {5000, 11.7, 0.5},   {6300, 12.2, 0.05},
                                   {7100, 12.0, 0.2},   {8000, 11.4, 0.4},   {9000, 10.1, 0.6},
                                   {10000, 8.1, 0.8},   {12500, 0, 1.2},     {14000, -5.3, 1.4},
                                   {16000, -11.7, 1.6}, {20000, -22.2, 2.0}, {31500, -42.7, 2.8}};

static void bs468_follows_the_table_of_the_recommendation(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(BS_468); i++) {
    const double value_db = gain_db(RB_WEIGHTING_468, BS_468[i][0]);
    assert_near(value_db, BS_468[i][1], BS_468[i][2]);
    assert_near(value_db, BS_468[i][1], 0.0503); // as near as the table's rounding lets it be
  }
  assert_near(gain_db(RB_WEIGHTING_468, 1000), 0, 1e-12);
  assert_near(rb_db_from_ratio(rb_weighting_468_shift_2k()), -5.6292, 1e-4);
}

// ISO 266 and IEC 61260-1:2014 (base ten): exact mid-bands and edges, computed from their formula
// 1000·10^(n/10), edges ·10^(±1/20).
static void third_octaves_are_base_ten(void **state)
{
  (void)state;
  static const struct {
    size_t index;
    double nominal_hz, mid_hz, low_hz, high_hz;
  } BANDS[] = {{0, 20, 19.952623, 17.782794, 22.387211},
               {2, 31.5, 31.622777, 28.183829, 35.481339},
               {8, 125, 125.892541, 112.201845, 141.253754},
               {17, 1000, 1000, 891.250938, 1122.018454},
               {29, 16000, 15848.931925, 14125.375446, 17782.794100},
               {30, 20000, 19952.623150, 17782.794100, 22387.211386}};
  for (size_t i = 0; i < RB_LEN(BANDS); i++) {
    const rb_third_octave band = rb_third_octave_band(BANDS[i].index);
    assert_near(band.nominal_hz, BANDS[i].nominal_hz, 0);
    assert_near(band.mid_hz, BANDS[i].mid_hz, 1e-6);
    assert_near(band.low_hz, BANDS[i].low_hz, 1e-6);
    assert_near(band.high_hz, BANDS[i].high_hz, 1e-6);
  }
  for (size_t i = 0; i + 1 < RB_THIRD_OCTAVES; i++)
    assert_near_relative(rb_third_octave_band(i).high_hz, rb_third_octave_band(i + 1).low_hz,
                         1e-12);
}

// Quadrature of |W|² over 20 Hz … 20 kHz for a flat and for a pink density, 1000001 points
// (SciPy's integrate.quad gives the same to 1e-4 dB).
static void weighted_noise_reads_the_quadrature(void **state)
{
  (void)state;
  static const struct {
    rb_weighting weighting;
    double white_db, pink_db;
  } CASES[] = {{RB_WEIGHTING_A, -2.0483, -2.8586}, {RB_WEIGHTING_468, 7.3014, 4.6658}};
  for (size_t i = 0; i < RB_LEN(CASES); i++) {
    double white = 0, pink = 0, pink_all = 0;
    const int n = 20000;
    for (int k = 0; k < n; k++) {
      const double flat_hz = 20 + (k + 0.5) * 19980 / n;
      white += pow(rb_weighting_gain(CASES[i].weighting, flat_hz), 2) / n;
      pink += pow(rb_weighting_gain(CASES[i].weighting, flat_hz), 2) / flat_hz;
      pink_all += 1 / flat_hz;
    }
    assert_near(rb_db_from_power(white), CASES[i].white_db, 0.001);
    assert_near(rb_db_from_power(pink / pink_all), CASES[i].pink_db, 0.005);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_and_c_follow_the_table_of_iec_61672),
      cmocka_unit_test(bs468_follows_the_table_of_the_recommendation),
      cmocka_unit_test(third_octaves_are_base_ten),
      cmocka_unit_test(weighted_noise_reads_the_quadrature),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
