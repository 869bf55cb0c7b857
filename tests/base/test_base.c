// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/base/random.h"
#include "rollbook/base/text.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

static void every_status_has_a_sentence(void **state)
{
  (void)state;
  for (int i = 0; i < RB_STATUS_COUNT; i++)
    assert_true(strlen(rb_status_text((rb_status)i)) > 2);
  assert_string_equal(rb_status_text((rb_status)999), "unknown status");
}

static void a_message_cannot_carry_control_characters(void **state)
{
  (void)state;
  rb_err err = {0};
  assert_int_equal(rb_fail(&err, RB_IO, "Reading '%s' failed.", "a\x1b[2Jb\n"), RB_IO);
  assert_string_equal(err.message, "Reading 'a?[2Jb?' failed.");
  assert_int_equal(rb_fail_within(&err, RB_IO, "Book"), RB_IO);
  assert_string_equal(err.message, "Book: Reading 'a?[2Jb?' failed.");
  assert_int_equal(rb_fail(NULL, RB_IO, "nobody listens"), RB_IO);
}

static void an_arena_zeroes_aligns_rewinds_and_keeps_its_limit(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(1 << 20);
  assert_non_null(arena);
  rb_arena_mark start = rb_arena_save(arena);
  double *a = rb_arena_doubles(arena, 100);
  assert_non_null(a);
  assert_int_equal((uintptr_t)a % 64, 0);
  for (int i = 0; i < 100; i++) {
    assert_near(a[i], 0, 0);
    a[i] = 1;
  }
  assert_null(rb_arena_alloc(arena, 2 << 20, 1));
  assert_null(rb_arena_alloc(arena, SIZE_MAX / 2, 16));
  rb_arena_rewind(arena, start);
  assert_int_equal(rb_arena_bytes(arena), 0);
  assert_string_equal(rb_arena_printf(arena, "%d tubes", 4), "4 tubes");
  rb_arena_free(arena);
  rb_arena_free(NULL);
}

static void text_made_valid_keeps_what_xml_can_carry(void **state)
{
  (void)state;
  rb_text text = {0};
  rb_text_add_valid(&text, "R\xc3\xb6hre\t\n\xff\x1b\xc2\x85\xf0\x9f");
  assert_string_equal(text.bytes, "R\xc3\xb6hre\t\n\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"
                                  "\xEF\xBF\xBD\xEF\xBF\xBD");
  rb_text_free(&text);
}

static void names_are_text_without_control_characters(void **state)
{
  (void)state;
  assert_true(rb_text_is_name("Röhre <script> \"7\"", 95));
  assert_false(rb_text_is_name("", 95));
  assert_false(rb_text_is_name("two\nlines", 95));
  assert_false(rb_text_is_name("\xff", 95));
  assert_false(rb_text_is_name("\xc0\x80", 95)); // overlong NUL
  assert_false(rb_text_is_name("\xc2\x85", 95)); // C1 control: next line
  assert_false(rb_text_is_name("too long", 7));
}

static void a_cut_copy_never_splits_a_character(void **state)
{
  (void)state;
  char out[4];
  assert_false(rb_text_copy(out, sizeof out, "abä"));
  assert_string_equal(out, "ab");
  assert_true(rb_text_copy(out, sizeof out, "abc"));
}

static void numbers_must_fill_the_text(void **state)
{
  (void)state;
  double value = 0;
  assert_true(rb_text_to_number(" 1.5e3 ", &value));
  assert_near(value, 1500, 0);
  assert_false(rb_text_to_number("1,5", &value));
  assert_false(rb_text_to_number("12 V", &value));
  assert_false(rb_text_to_number("inf", &value));
  assert_false(rb_text_to_number("", &value));
}

// AES17 full scale (from memory): a sine with peaks at full scale reads 0 dBFS, rms 1/√2.
static void levels_convert(void **state)
{
  (void)state;
  assert_near(rb_dbfs_from_rms(sqrt(0.5)), 0, 1e-12);
  assert_near(rb_db_from_ratio(10), 20, 1e-12);
  assert_near(rb_ratio_from_db(-6.020599913279624), 0.5, 1e-15);
  assert_near(rb_watts(2.8284271247461903, 8), 1, 1e-12);
  assert_near(rb_vrms_from_watts(1, 8), 2.8284271247461903, 1e-12);
  assert_near(rb_fold_deg(-190), 170, 1e-12);
  assert_near(rb_fold_deg(180), 180, 1e-12);
  assert_near(rb_fold_deg(-180), 180, 1e-12);
}

static void random_numbers_have_the_moments_of_their_law(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(7);
  enum { N = 200000 };
  double sum = 0, squares = 0, fourth = 0;
  for (int i = 0; i < N; i++) {
    double x = rb_random_normal(&random);
    sum += x;
    squares += x * x;
    fourth += x * x * x * x;
  }
  // Five standard errors of each moment.
  assert_near(sum / N, 0, 5 / sqrt(N));
  assert_near(squares / N, 1, 5 * sqrt(2.0 / N));
  assert_near(fourth / N, 3, 5 * sqrt(96.0 / N));
  for (int i = 0; i < 1000; i++)
    assert_true(rb_random_below(&random, 6) < 6);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_status_has_a_sentence),
      cmocka_unit_test(a_message_cannot_carry_control_characters),
      cmocka_unit_test(an_arena_zeroes_aligns_rewinds_and_keeps_its_limit),
      cmocka_unit_test(text_made_valid_keeps_what_xml_can_carry),
      cmocka_unit_test(names_are_text_without_control_characters),
      cmocka_unit_test(a_cut_copy_never_splits_a_character),
      cmocka_unit_test(numbers_must_fill_the_text),
      cmocka_unit_test(levels_convert),
      cmocka_unit_test(random_numbers_have_the_moments_of_their_law),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
