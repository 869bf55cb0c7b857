// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/csv.h"

#include <string.h>

typedef struct fixture {
  rb_arena *arena;
  rb_csv csv;
  const char **fields;
  size_t n;
} fixture;

static fixture read_from(const char *text)
{
  return (fixture){.arena = rb_arena_new(0), .csv = rb_csv_of(text)};
}

static void assert_record(fixture *f, size_t n, const char *const *expected)
{
  assert_int_equal(rb_csv_next(&f->csv, f->arena, &f->fields, &f->n), RB_OK);
  assert_int_equal(f->n, n);
  for (size_t i = 0; i < n; i++)
    assert_string_equal(f->fields[i], expected[i]);
}

// The cases of RFC 4180, section 2.
static void records_of_the_standard_are_read(void **state)
{
  (void)state;
  fixture f = read_from("aaa,bbb,ccc\r\n\"aaa\",\"b \r\nbb\",\"c\"\"cc\"\r\nzzz,,");
  assert_record(&f, 3, (const char *[]){"aaa", "bbb", "ccc"});
  assert_record(&f, 3, (const char *[]){"aaa", "b \r\nbb", "c\"cc"});
  assert_int_equal(f.csv.line, 2);
  assert_record(&f, 3, (const char *[]){"zzz", "", ""});
  assert_int_equal(f.csv.line, 4);
  assert_record(&f, 0, NULL);
  rb_arena_free(f.arena);
}

static void what_spreadsheets_write_is_read(void **state)
{
  (void)state;
  fixture f = read_from("\xEF\xBB\xBFone;two\n\n\n1;\"2;3\"\n");
  assert_record(&f, 2, (const char *[]){"one", "two"});
  assert_record(&f, 2, (const char *[]){"1", "2;3"});
  assert_int_equal(f.csv.line, 4);
  assert_record(&f, 0, NULL);
  rb_arena_free(f.arena);
}

static void quotes_out_of_place_are_refused(void **state)
{
  (void)state;
  static const char *const texts[] = {"a,\"b",    "a,\"b\nc", "a,b\"c",
                                      "\"a\"b,c", "\"",       "a,\"\"\"\n"};
  for (size_t i = 0; i < RB_LEN(texts); i++) {
    fixture f = read_from(texts[i]);
    assert_int_equal(rb_csv_next(&f.csv, f.arena, &f.fields, &f.n), RB_FORMAT);
    rb_arena_free(f.arena);
  }
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(records_of_the_standard_are_read),
      cmocka_unit_test(what_spreadsheets_write_is_read),
      cmocka_unit_test(quotes_out_of_place_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
