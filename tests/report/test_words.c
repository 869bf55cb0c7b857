// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/report/words.h"

#include <math.h>
#include <string.h>

static rb_reading reading_of(double value, double uncertainty, const char *unit)
{
  rb_reading reading = {.value = value, .uncertainty = uncertainty, .resolved = true};
  rb_text_copy(reading.unit, sizeof reading.unit, unit);
  return reading;
}

static void a_reading_ends_where_its_uncertainty_ends(void **state)
{
  (void)state;
  // JCGM 100:2008, 7.2.6: uncertainty to two digits at most, the estimate rounded to match; its own
  // example there is y = 10.057 62 Ω with u = 27 mΩ, given as 10.058 Ω (behind ± stands 2u here).
  const struct {
    double value, uncertainty;
    const char *unit, *text;
  } cases[] = {
      {10.05762, 0.0135, "ohm", "10.058 ± 0.027 Ω"},
      {0.41234, 0.0062, "%", "0.412 ± 0.012 %"},
      {-60.1234, 0.05, "dB", "−60.12 ± 0.10 dB"},
      {0.41234, 0.0498, "%", "0.41 ± 0.10 %"}, // 0.0996 is 0.10, not 0.100
      {0.000123456, 1e-6, "V", "123.5 ± 2.0 µV"},
      {2.8284271, 0.0001, "V", "2.82843 ± 0.00020 V"},
      {1000.0001, 0.0, "Hz", "1.000 kHz"},
      {-12.3, 0.4, "deg", "−12.30 ± 0.80°"},
      {1, 0, "", "1.000"},
      {123456, 700, "ohm", "123456 ± 1400 Ω"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_reading reading = reading_of(cases[i].value, cases[i].uncertainty, cases[i].unit);
    assert_string_equal(rb_figure_reading(&reading).text, cases[i].text);
  }
}

static void an_unresolved_reading_is_a_bound_rounded_up(void **state)
{
  (void)state;
  const struct {
    double bound;
    const char *unit, *text;
  } cases[] = {
      {0.002, "%", "below 0.0020 %"},  {0.001234, "%", "below 0.0013 %"},
      {-118.7, "dB", "below −118 dB"}, {0.0000123, "V", "below 13 µV"},
      {-120, "dB", "below −120 dB"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_reading reading = reading_of(cases[i].bound, 0.1, cases[i].unit);
    reading.resolved = false;
    assert_string_equal(rb_figure_reading(&reading).text, cases[i].text);
  }
}

static void a_change_has_a_sign_and_the_digits_of_its_interval(void **state)
{
  (void)state;
  const struct {
    double difference, low, high;
    const char *unit, *change, *interval;
  } cases[] = {
      {-6.123, -6.8, -5.4, "dB", "−6.12 dB", "−6.80 to −5.40 dB"},
      {0.2412, 0.21, 0.27, "dB", "+0.241 dB", "0.210 to 0.270 dB"},
      {-0.0001, -0.02, 0.02, "dB", "0.000 dB", "−0.020 to 0.020 dB"},
      {12e-6, 1e-6, 23e-6, "V", "+12 µV", "1 to 23 µV"},
      {3, 3, 3, "dB", "+3.000 dB", "3.000 to 3.000 dB"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    const double interval[2] = {cases[i].low, cases[i].high};
    assert_string_equal(rb_figure_change(cases[i].difference, interval, cases[i].unit).text,
                        cases[i].change);
    assert_string_equal(rb_figure_interval(interval, cases[i].unit).text, cases[i].interval);
  }
}

static void prose_has_four_digits_at_most_and_no_empty_zeros(void **state)
{
  (void)state;
  const struct {
    double value;
    const char *unit, *text;
  } cases[] = {
      {1, "W", "1 W"},
      {1.4, "ohm", "1.4 Ω"},
      {0.0012345, "V", "1.234 mV"},
      {12345.678, "Hz", "12.35 kHz"},
      {40, "W", "40 W"},
      {-3.5, "dB", "−3.5 dB"},
      {0, "V", "0 V"},
      {NAN, "V", "unknown"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++)
    assert_string_equal(rb_figure_prose(cases[i].value, cases[i].unit).text, cases[i].text);
}

static void conditions_are_said_in_words(void **state)
{
  (void)state;
  assert_string_equal(rb_condition_words("tone-1k 1 W").text, "1 kHz tone at 1 W");
  assert_string_equal(rb_condition_words("tone-1k 10 W, left driven").text,
                      "1 kHz tone at 10 W, left driven");
  assert_string_equal(rb_condition_words("sweep 1 W").text, "sweep at 1 W");
  assert_string_equal(rb_condition_words("silence").text, "silence");
  assert_string_equal(rb_condition_words("tone-109 5 W").text, "109 Hz tone at 5 W");
  assert_string_equal(rb_condition_words("tone-x <b>").text, "tone-x <b>");
  assert_string_equal(rb_condition_words("1000 Hz").text, "1000 Hz");
  assert_string_equal(rb_condition_words("tone-1k").text, "1 kHz tone");
}

static void figures_never_overflow(void **state)
{
  (void)state;
  rb_reading reading = reading_of(1e300, 1e-300, "V");
  assert_true(strlen(rb_figure_reading(&reading).text) < RB_FIGURE_SIZE);
  reading = reading_of(NAN, NAN, "V");
  assert_string_equal(rb_figure_reading(&reading).text, "unknown");
  const double interval[2] = {-INFINITY, INFINITY};
  assert_string_equal(rb_figure_interval(interval, "dB").text, "unknown to unknown dB");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_reading_ends_where_its_uncertainty_ends),
      cmocka_unit_test(an_unresolved_reading_is_a_bound_rounded_up),
      cmocka_unit_test(a_change_has_a_sign_and_the_digits_of_its_interval),
      cmocka_unit_test(prose_has_four_digits_at_most_and_no_empty_zeros),
      cmocka_unit_test(conditions_are_said_in_words),
      cmocka_unit_test(figures_never_overflow),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
