// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "../../src/report/csv.h"

#include <math.h>
#include <string.h>

static void cells_follow_rfc_4180_and_never_become_formulas(void **state)
{
  (void)state;
  // RFC 4180, 2.5 to 2.7: quotes, commas and line breaks inside quotes; a quote is doubled. Formula
  // starts as in OWASP's page "CSV Injection".
  const struct {
    const char *text, *cell;
  } cases[] = {
      {"plain", "\"plain\""},
      {"a,b", "\"a,b\""},
      {"he said \"no\"", "\"he said \"\"no\"\"\""},
      {"two\nlines", "\"two\nlines\""},
      {"=1+1", "\"'=1+1\""},
      {"+CMD", "\"'+CMD\""},
      {"-2", "\"'-2\""},
      {"@SUM(A1)", "\"'@SUM(A1)\""},
      {"\tx", "\"'\tx\""},
      {"", "\"\""},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_text csv = {0};
    csv_text(&csv, cases[i].text);
    assert_string_equal(csv.bytes, cases[i].cell);
    rb_text_free(&csv);
  }
}

static void rows_end_in_cr_lf_and_numbers_stay_numbers(void **state)
{
  (void)state;
  rb_text csv = {0};
  csv_number(&csv, -0.125);
  csv_number(&csv, (double)NAN);
  csv_text(&csv, "x");
  csv_end_row(&csv);
  csv_number(&csv, 1e-9);
  csv_end_row(&csv);
  assert_string_equal(csv.bytes, "-0.125,\"\",\"x\"\r\n1e-09\r\n");
  rb_text_free(&csv);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(cells_follow_rfc_4180_and_never_become_formulas),
      cmocka_unit_test(rows_end_in_cr_lf_and_numbers_stay_numbers),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
