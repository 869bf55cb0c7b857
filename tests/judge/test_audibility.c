// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/judge/audibility.h"
#include "rollbook/model/reading.h"

#include <string.h>

static void every_row_is_of_a_reading_and_says_where_it_is_from(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_guide *guides = rb_guides(&n);
  assert_true(n > 10);
  for (size_t i = 0; i < n; i++) {
    assert_non_null(rb_reading_kind_find(guides[i].key));
    assert_ptr_equal(rb_guide_find(guides[i].key), &guides[i]); // no key twice
    assert_true(strlen(guides[i].source) > 10);
    assert_true(strcmp(guides[i].confidence, "good") == 0 ||
                strcmp(guides[i].confidence, "fair") == 0 ||
                strcmp(guides[i].confidence, "poor") == 0);
    if (guides[i].of == RB_GUIDE_LEAST_DB)
      assert_true(guides[i].plausible_at < guides[i].unlikely_at);
    else
      assert_true(guides[i].plausible_at > guides[i].unlikely_at);
  }
}

// Published judgements and total distortion go together badly, so no row may make a verdict of it.
static void no_row_judges_total_distortion(void **state)
{
  (void)state;
  static const char *const totals[] = {"thd", "thd_r", "thd_n", "sinad", "even_sum", "odd_sum"};
  for (size_t i = 0; i < RB_LEN(totals); i++)
    assert_null(rb_guide_find(totals[i]));
}

static void changes_are_held_against_the_row_s_limits(void **state)
{
  (void)state;
  static const struct {
    const char *key, *unit;
    double a, difference;
    rb_audible expected;
  } cases[] = {
      {"gain", "dB", 20, 0.6, RB_AUDIBLE_PLAUSIBLE},
      {"gain", "dB", 20, -0.5, RB_AUDIBLE_PLAUSIBLE},
      {"gain", "dB", 20, 0.3, RB_AUDIBLE_NO_GUIDE},
      {"gain", "dB", 20, -0.19, RB_AUDIBLE_UNLIKELY},
      {"bass_band", "dB", 0, 0.006, RB_AUDIBLE_UNLIKELY},
      // −60 dB is 0.1 %: to −37.5 dB, 1.33 %; to −54 dB, 0.2 %.
      {"h2", "dB", -60, 22.5, RB_AUDIBLE_PLAUSIBLE},
      {"h2", "dB", -60, 6, RB_AUDIBLE_UNLIKELY},
      {"h3", "dB", -60, 10, RB_AUDIBLE_NO_GUIDE}, // 0.1 % to 0.316 %: by 0.216 %
      {"h5", "dB", -90, 10, RB_AUDIBLE_UNLIKELY},
      {"imd_mod", "%", 0.5, 2.5, RB_AUDIBLE_PLAUSIBLE},
      {"imd_mod", "%", 0.5, -0.4, RB_AUDIBLE_UNLIKELY},
      {"separation", "dB", 60, -10, RB_AUDIBLE_UNLIKELY},
      {"separation", "dB", 28, -10, RB_AUDIBLE_PLAUSIBLE},
      {"separation", "dB", 18, 20, RB_AUDIBLE_PLAUSIBLE},
      {"separation", "dB", 35, -10, RB_AUDIBLE_NO_GUIDE},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++)
    assert_int_equal(
        rb_guide_judge(rb_guide_find(cases[i].key), cases[i].unit, cases[i].a, cases[i].difference),
        cases[i].expected);
  assert_string_equal(rb_audible_name(RB_AUDIBLE_NO_GUIDE), "no guide");
  assert_string_equal(rb_audible_name(RB_AUDIBLE_UNLIKELY), "unlikely");
  assert_string_equal(rb_audible_name(RB_AUDIBLE_PLAUSIBLE), "plausible");
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_row_is_of_a_reading_and_says_where_it_is_from),
      cmocka_unit_test(no_row_judges_total_distortion),
      cmocka_unit_test(changes_are_held_against_the_row_s_limits),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
