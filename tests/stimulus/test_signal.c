// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/text.h"
#include "rollbook/procedures/procedure.h"
#include "rollbook/stimulus/signal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

// ---- what is refused, and in which words --------------------------------------------------------

typedef struct refusal {
  const char *what, *text, *message;
} refusal;

static const refusal signal_refusals[] = {
    {"nothing", "", "bad.ini: 'title = …' is missing under [signal]."},
    {"no procedure", "[signal]\ntitle = x\n", "bad.ini: 'procedure = …' is missing"},
    {"another section", "[signal]\ntitle = x\n[plan]\ntitle = y\n",
     "bad.ini, line 4: a signal file has one section, [signal], not [plan]"},
    {"no section", "title = x\n", "bad.ini, line 1: 'title' stands before any [section]"},
    {"a setting twice", "[signal]\nprocedure = tone\nsettle_s = 1\n\nsettle_s = 2\n",
     "bad.ini, line 5: 'settle_s' is set twice"},
    {"a title twice", "[signal]\ntitle = a\ntitle = b\n", "bad.ini, line 3: 'title' is set twice"},
    {"an empty value", "[signal]\ntitle =\n", "bad.ini, line 2: 'title' has no value"},
    {"neither section nor setting", "[signal]\ntitle = x\nloud\n",
     "bad.ini, line 3: neither [section] nor name = value"},
    {"an open bracket", "[signal\ntitle = x\n", "bad.ini, line 1: neither"},
    {"control characters", "[signal]\ntitle = a\x1b[2Jb\n",
     "bad.ini, line 2: this is not plain UTF-8 text"},
    {"bytes that are no UTF-8", "[signal]\ntitle = \xff\xfe\n", "bad.ini, line 2: this is not"},
    {"a long name", "[signal]\nabcdefghijklmnopqrstuvwxyz_abcdefghi = 1\n",
     "bad.ini, line 2: the name 'abcdefghijklmnopqrstuvwxyz_abcdefghi' is longer than 31 bytes"},
};

static const refusal plan_refusals[] = {
    {"no title", "[plan]\n[steps]\ntone-1k = 1 W\n", "bad.ini: 'title = …' is missing"},
    {"no steps", "[plan]\ntitle = x\n", "bad.ini: there is no step under [steps]"},
    {"another name", "[plan]\ntitle = x\nvolume = 11\n",
     "bad.ini, line 3: [plan] knows title, reference_power_w and reference_hz, not 'volume'"},
    {"reference out of range", "[plan]\nreference_power_w = 1e6\n",
     "bad.ini, line 2: 'reference_power_w = 1e6' is outside 0.001 to 1000"},
    {"a reference that is no number", "[plan]\nreference_hz = nan\n",
     "bad.ini, line 2: 'reference_hz = nan' is no number"},
    {"no unit", "[plan]\n[steps]\ntone-1k = 1\n", "bad.ini, line 3: '1' is no step; write"},
    {"another unit", "[plan]\n[steps]\ntone-1k = 1 V\n", "bad.ini, line 3: '1 V' is no step"},
    {"negative power", "[plan]\n[steps]\nt = -1 W\n", "bad.ini, line 3: '-1 W' is no step"},
    {"too much power", "[plan]\n[steps]\nt = 1001 W\n", "bad.ini, line 3: '1001 W' is no step"},
    {"no power", "[plan]\n[steps]\nt = 0 W\n", "bad.ini, line 3: '0 W' is no step"},
    {"another channel", "[plan]\n[steps]\nt = 1 W middle\n", "bad.ini, line 3: '1 W middle'"},
    {"more behind", "[plan]\n[steps]\nt = 1 W left loud\n", "bad.ini, line 3: '1 W left loud'"},
    {"a comma", "[plan]\n[steps]\nt = 0,5 W\n", "bad.ini, line 3: '0,5 W' is no step"},
    {"a signal's section", "[signal]\ntitle = x\n",
     "bad.ini, line 2: a plan has the sections [plan] and [steps], not [signal]"},
};

static void assert_says(const rb_err *err, const refusal *row)
{
  if (strstr(err->message, row->message))
    return;
  print_error("%s: said '%s', not '%s'\n", row->what, err->message, row->message);
  fail();
}

static void a_bad_signal_file_is_refused_with_file_line_and_reason(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(signal_refusals); i++) {
    const refusal *row = &signal_refusals[i];
    rb_signal signal;
    rb_err err = {0};
    assert_int_equal(rb_signal_parse("bad.ini", row->text, strlen(row->text), &signal, &err),
                     RB_FORMAT);
    assert_says(&err, row);
  }
}

static void a_bad_plan_file_is_refused_with_file_line_and_reason(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(plan_refusals); i++) {
    const refusal *row = &plan_refusals[i];
    rb_plan plan;
    rb_err err = {0};
    assert_int_equal(rb_plan_parse("bad.ini", row->text, strlen(row->text), &plan, &err),
                     RB_FORMAT);
    assert_says(&err, row);
  }
}

// Lines of `line` behind a good head, `n` of them.
static char *repeated(const char *head, const char *line, size_t n, size_t *n_bytes)
{
  rb_text text = {0};
  rb_text_add(&text, head);
  for (size_t i = 0; i < n; i++)
    rb_text_printf(&text, line, (int)i);
  assert_false(text.failed);
  *n_bytes = text.length;
  return text.bytes;
}

static void too_much_of_anything_is_refused(void **state)
{
  (void)state;
  static const struct {
    const char *line, *message;
    size_t n;
  } rows[] = {
      {"s%d = 1\n", "more than 32 settings", 33},
      {"# comment %d\n", "larger than 65536 bytes", 8000},
      {"x = 1234567890 1234567890 1234567890 1234567890 1234567890 1234567890 1234567890 "
       "1234567890 1234567890 1234567890 1234567890 1234567890 1234567890 1234567890 1234567890 "
       "1234567890 1234567890 1234567890 1234567890 %d\n",
       "line 4: the line is longer than 197 bytes", 1},
  };
  for (size_t i = 0; i < RB_LEN(rows); i++) {
    size_t n = 0;
    rb_signal signal;
    rb_err err = {0};
    char *text = repeated("[signal]\ntitle = t\nprocedure = tone\n", rows[i].line, rows[i].n, &n);
    assert_int_equal(rb_signal_parse("big.ini", text, n, &signal, &err), RB_FORMAT);
    assert_non_null(strstr(err.message, rows[i].message));
    free(text);
  }
  size_t n = 0;
  rb_plan plan;
  rb_err err = {0};
  char *text = repeated("[plan]\ntitle = t\n[steps]\n", "s%d = 1 W\n", 33, &n);
  assert_int_equal(rb_plan_parse("big.ini", text, n, &plan, &err), RB_FORMAT);
  assert_non_null(strstr(err.message, "big.ini, line 36: more than 32 steps"));
  free(text);
}

static void a_nul_byte_is_no_text(void **state)
{
  (void)state;
  static const char text[] = "[signal]\ntitle = a\0b\n";
  rb_signal signal;
  rb_err err = {0};
  assert_int_equal(rb_signal_parse("n.ini", text, sizeof text - 1, &signal, &err), RB_FORMAT);
  assert_non_null(strstr(err.message, "n.ini, line 2: this is not plain UTF-8 text"));
}

// ---- what is accepted ---------------------------------------------------------------------------

static void a_signal_keeps_its_settings_with_their_lines(void **state)
{
  (void)state;
  static const char text[] = "\xef\xbb\xbf; head\r\n[signal]\r\n  title = Tön ; inline\r\n"
                             "\tprocedure = tone\r\n  frequency_hz = 440\r\n";
  rb_signal signal;
  rb_err err = {0};
  assert_int_equal(rb_signal_parse("/a/b/tone-440.ini", text, sizeof text - 1, &signal, &err),
                   RB_OK);
  assert_string_equal(signal.name, "tone-440");
  assert_string_equal(signal.title, "Tön");
  assert_string_equal(signal.procedure, "tone");
  assert_int_equal(signal.n_settings, 1);
  assert_int_equal(signal.settings[0].line, 5);
  double value = 0;
  assert_int_equal(rb_signal_number(&signal, "frequency_hz", 1, 1000, 5, &value, &err), RB_OK);
  assert_near(value, 440, 0);
  assert_int_equal(rb_signal_number(&signal, "settle_s", 0, 9, 0.25, &value, &err), RB_OK);
  assert_near(value, 0.25, 0);
  assert_int_equal(rb_signal_number(&signal, "frequency_hz", 1, 400, 5, &value, &err), RB_FORMAT);
  assert_string_equal(err.message,
                      "/a/b/tone-440.ini, line 5: 'frequency_hz = 440' is outside 1 to 400.");
}

static void a_plan_may_play_one_signal_several_times(void **state)
{
  (void)state;
  static const char text[] = "[plan]\ntitle = Two\nreference_power_w = 0.5\n[steps]\n"
                             "tone-1k = 1 W\ntone-1k = 0.25 W left\nsilence = silent\n";
  rb_plan plan;
  assert_int_equal(rb_plan_parse("two.ini", text, sizeof text - 1, &plan, NULL), RB_OK);
  assert_int_equal(plan.n_steps, 3);
  assert_near(plan.reference_power_w, 0.5, 0);
  assert_near(plan.reference_hz, 1000, 0);
  assert_string_equal(plan.steps[1].signal, "tone-1k");
  assert_near(plan.steps[1].power_w, 0.25, 0);
  assert_int_equal(plan.steps[1].drive, RB_LEFT);
  assert_int_equal(plan.steps[0].drive, RB_BOTH);
  assert_near(plan.steps[2].power_w, 0, 0);
  assert_int_equal(plan.steps[2].line, 7);
}

static void a_signal_made_in_the_program_takes_numbers(void **state)
{
  (void)state;
  rb_signal signal = rb_signal_made("1000 Hz", "A tone", "tone");
  assert_int_equal(rb_signal_set(&signal, "frequency_hz", 1000.125), RB_OK);
  assert_int_equal(rb_signal_set(&signal, "frequency_hz", 997.03125), RB_OK);
  assert_int_equal(signal.n_settings, 1);
  double value = 0;
  assert_int_equal(rb_signal_number(&signal, "frequency_hz", 1, 2000, 5, &value, NULL), RB_OK);
  assert_near(value, 997.03125, 0);
}

// ---- files --------------------------------------------------------------------------------------

static void write_file(const char *folder, const char *name, const char *text)
{
  char path[256];
  snprintf(path, sizeof path, "%s/%s", folder, name);
  FILE *file = fopen(path, "w");
  assert_non_null(file);
  fputs(text, file);
  fclose(file);
}

static void ones_own_folder_goes_before_the_installed_one(void **state)
{
  (void)state;
  char folder[] = "/tmp/rollbook-signals-XXXXXX", *kept = getenv("ROLLBOOK_SIGNALS");
  kept = kept ? strdup(kept) : NULL;
  assert_non_null(mkdtemp(folder));
  write_file(folder, "tone-1k.ini", "[signal]\ntitle = Mine\nprocedure = tone\n");
  write_file(folder, "broken.ini", "[signal\n");
  setenv("ROLLBOOK_SIGNALS", folder, 1);
  rb_signal signal;
  rb_err err = {0};
  assert_int_equal(rb_signal_find("tone-1k", &signal, &err), RB_OK);
  assert_string_equal(signal.title, "Mine");
  assert_int_equal(rb_signal_find("broken", &signal, &err), RB_FORMAT);
  assert_int_equal(rb_signal_find("tone-315", &signal, &err), RB_OK); // from the source tree
  assert_int_equal(rb_signal_find("../tone-315", &signal, &err), RB_NOT_FOUND);
  assert_int_equal(rb_signal_find("no\nsuch", &signal, &err), RB_NOT_FOUND);
  assert_int_equal(rb_signal_find(folder, &signal, &err), RB_FORMAT); // a path: not a file
  assert_int_equal(rb_signal_find("nowhere", &signal, &err), RB_NOT_FOUND);
  assert_non_null(strstr(err.message, "There is no signal 'nowhere'."));
  assert_non_null(strstr(err.message, "tone-109"));
  assert_non_null(strstr(err.message, folder));
  rb_plan plan;
  assert_int_equal(rb_plan_find("nowhere", &plan, &err), RB_NOT_FOUND);
  assert_non_null(strstr(err.message, "quick"));
  char path[256];
  snprintf(path, sizeof path, "%s/broken.ini", folder);
  unlink(path);
  snprintf(path, sizeof path, "%s/tone-1k.ini", folder);
  unlink(path);
  rmdir(folder);
  if (kept)
    setenv("ROLLBOOK_SIGNALS", kept, 1);
  free(kept);
}

static void every_file_of_the_signals_folder_can_be_used(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_signal_entry *entries = NULL;
  size_t n = 0, n_plans = 0;
  assert_int_equal(rb_signal_list(arena, &entries, &n), RB_OK);
  assert_true(n >= 5);
  for (size_t i = 0; i < n; i++) {
    rb_err err = {0};
    const rb_procedure *procedure = NULL;
    rb_signal signal;
    rb_plan plan;
    assert_false(entries[i].damaged);
    n_plans += entries[i].plan;
    if (!entries[i].plan) {
      assert_int_equal(rb_signal_load(entries[i].file, &signal, &err), RB_OK);
      assert_int_equal(rb_procedure_for(&signal, &procedure, &err), RB_OK);
      continue;
    }
    assert_int_equal(rb_plan_load(entries[i].file, &plan, &err), RB_OK);
    for (size_t k = 0; k < plan.n_steps; k++)
      assert_int_equal(rb_signal_find(plan.steps[k].signal, &signal, &err), RB_OK);
  }
  assert_true(n_plans >= 2);
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_bad_signal_file_is_refused_with_file_line_and_reason),
      cmocka_unit_test(a_bad_plan_file_is_refused_with_file_line_and_reason),
      cmocka_unit_test(too_much_of_anything_is_refused),
      cmocka_unit_test(a_nul_byte_is_no_text),
      cmocka_unit_test(a_signal_keeps_its_settings_with_their_lines),
      cmocka_unit_test(a_plan_may_play_one_signal_several_times),
      cmocka_unit_test(a_signal_made_in_the_program_takes_numbers),
      cmocka_unit_test(ones_own_folder_goes_before_the_installed_one),
      cmocka_unit_test(every_file_of_the_signals_folder_can_be_used),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
