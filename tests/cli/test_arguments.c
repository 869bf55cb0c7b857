// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/command.h"

#include "near.h"

#include <stdio.h>
#include <string.h>

static const char *const colours[] = {"red", "green", "blue", NULL};

static const rb_option options[] = {
    {.name = "power",
     .kind = RB_OPTION_NUMBER,
     .value = "W",
     .lowest = 0.5,
     .highest = 100,
     .fallback = "2.5",
     .help = "Power"},
    {.name = "passes",
     .kind = RB_OPTION_WHOLE,
     .value = "N",
     .lowest = 1,
     .highest = 9,
     .help = "Passes"},
    {.name = "colour", .kind = RB_OPTION_CHOICE, .value = "C", .choices = colours, .help = "C"},
    {.name = "socket", .kind = RB_OPTION_TEXT, .value = "S", .repeatable = true, .help = "S"},
    {.name = "yes", .kind = RB_OPTION_FLAG, .help = "Yes"},
    {.name = "type", .kind = RB_OPTION_TEXT, .value = "T", .required = true, .help = "Type"},
};

static const rb_positional words[] = {{.name = "NAME", .help = "the name"},
                                      {.name = "MORE", .help = "more", .optional = true}};

static const rb_command command = {
    .name = "try", .summary = "Try", RB_OPTIONS(options), RB_POSITIONALS(words)};

enum { MOST_WORDS = 12 };

static rb_status parse(rb_arena *arena, const char *const *line, rb_arguments **arguments,
                       rb_err *err)
{
  char **copies = rb_arena_alloc(arena, MOST_WORDS + 1, sizeof *copies);
  int n = 0;
  copies[n++] = rb_arena_copy(arena, "try");
  for (size_t i = 0; i < MOST_WORDS - 1 && line[i]; i++)
    copies[n++] = rb_arena_copy(arena, line[i]);
  return rb_arguments_parse(&command, "rollbook try", n, copies, false, arena, arguments, err);
}

static void options_and_words_mix_in_any_order(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_arguments *arguments = NULL;
  const char *const line[] = {"--socket", "V1=a", "name",  "--power=4",   "--socket",
                              "V2=b",     "more", "--yes", "--type=EL34", NULL};
  assert_int_equal(parse(arena, line, &arguments, NULL), RB_OK);
  assert_near(rb_argument_number(arguments, "power"), 4, 0);
  assert_int_equal(rb_argument_count(arguments, "socket"), 2);
  assert_string_equal(rb_argument_nth(arguments, "socket", 0), "V1=a");
  assert_string_equal(rb_argument_nth(arguments, "socket", 1), "V2=b");
  assert_null(rb_argument_nth(arguments, "socket", 2));
  assert_int_equal(rb_argument_n_words(arguments), 2);
  assert_string_equal(rb_argument_word(arguments, 1), "more");
  assert_true(rb_argument_given(arguments, "yes"));
  rb_arena_free(arena);
}

static void what_is_not_given_has_its_fallback(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  rb_arguments *arguments = NULL;
  const char *const line[] = {"--type", "EL34", "-5", NULL};
  const char *const after_dashes[] = {"--type", "EL34", "--", "--yes", NULL};
  rb_err err;
  assert_int_equal(parse(arena, line, &arguments, &err), RB_BAD_ARG); // no such option
  assert_int_equal(parse(arena, after_dashes, &arguments, NULL), RB_OK);
  assert_false(rb_argument_given(arguments, "yes"));
  assert_string_equal(rb_argument_word(arguments, 0), "--yes");
  assert_near(rb_argument_number(arguments, "power"), 2.5, 0);
  assert_false(rb_argument_given(arguments, "power"));
  assert_null(rb_argument_text(arguments, "colour"));
  rb_arena_free(arena);
}

// What stands on the line, and what the message must name.
static const struct {
  const char *line[6];
  const char *named;
} wrong[] = {
    {{"x"}, "--type"},
    {{"--type", "T"}, "NAME"},
    {{"--type", "T", "a", "b", "c"}, "'c'"},
    {{"--type", "T", "x", "--power", "0.4"}, "0.5 to 100"},
    {{"--type", "T", "x", "--power", "101"}, "0.5 to 100"},
    {{"--type", "T", "x", "--power", "1e999"}, "--power"},
    {{"--type", "T", "x", "--power", "4 W"}, "--power"},
    {{"--type", "T", "x", "--power", ""}, "--power"},
    {{"--type", "T", "x", "--passes", "2.5"}, "whole number"},
    {{"--type", "T", "x", "--colour", "gren"}, "green"},
    {{"--type", "T", "--type", "U"}, "twice"},
    {{"--type", ""}, "empty"},
    {{"x", "--type"}, "needs a value"},
    {{"--yes=1", "x"}, "--yes"},
    {{"--powr", "1"}, "--power"},
};

static void wrong_use_names_the_option_and_what_it_takes(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(wrong); i++) {
    rb_arena *arena = rb_arena_new(0);
    rb_arguments *arguments = NULL;
    rb_err err = {.status = RB_OK};
    assert_int_equal(parse(arena, wrong[i].line, &arguments, &err), RB_BAD_ARG);
    if (!strstr(err.message, wrong[i].named))
      fail_msg("row %zu: '%s' does not name '%s'", i, err.message, wrong[i].named);
    rb_arena_free(arena);
  }
}

static void a_pair_is_split_at_its_first_equals_sign(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const char *name = NULL, *value = NULL;
  assert_int_equal(rb_argument_pair("socket", "V1=a=b", arena, &name, &value, NULL), RB_OK);
  assert_string_equal(name, "V1");
  assert_string_equal(value, "a=b");
  const char *const bad[] = {"V1", "=a", "V1=", ""};
  for (size_t i = 0; i < RB_LEN(bad); i++)
    assert_int_equal(rb_argument_pair("socket", bad[i], arena, &name, &value, NULL), RB_BAD_ARG);
  rb_arena_free(arena);
}

static void slips_of_the_finger_are_recognised_and_other_words_are_not(void **state)
{
  (void)state;
  static const char *const known[] = {"measure", "compare", "amp", "analyze", "tube"};
  static const struct {
    const char *word, *nearest;
  } rows[] = {
      {"mesaure", "measure"}, {"meas", "measure"}, {"comapre", "compare"},
      {"analyse", "analyze"}, {"AMP", "amp"},      {"tubes", "tube"},
      {"xyzzy", NULL},        {"", NULL},          {"q", NULL},
      {"ab", NULL},
  };
  for (size_t i = 0; i < RB_LEN(rows); i++) {
    const char *nearest = rb_nearest_word(rows[i].word, known, RB_LEN(known));
    if (rows[i].nearest)
      assert_string_equal(nearest, rows[i].nearest);
    else
      assert_null(nearest);
  }
  char long_word[400];
  memset(long_word, 'a', sizeof long_word - 1);
  long_word[sizeof long_word - 1] = '\0';
  assert_null(rb_nearest_word(long_word, known, RB_LEN(known)));
}

static void check_command(const rb_command *command_seen, const char *above)
{
  char path[160];
  snprintf(path, sizeof path, "%s %s", above, command_seen->name);
  assert_true(command_seen->summary && command_seen->summary[0]);
  assert_true(command_seen->summary[strlen(command_seen->summary) - 1] != '.');
  assert_true(command_seen->run || command_seen->n_subcommands);
  for (size_t i = 0; i < command_seen->n_options; i++) {
    const rb_option *option = &command_seen->options[i];
    assert_true(option->help && option->help[strlen(option->help) - 1] != '.');
    assert_true(option->kind == RB_OPTION_FLAG || option->value);
    assert_true(option->kind != RB_OPTION_CHOICE || option->choices);
    size_t n = 0;
    const rb_option *global = rb_global_options(&n);
    for (size_t j = 0; j < n; j++)
      assert_string_not_equal(option->name, global[j].name);
    for (size_t j = 0; j < i; j++)
      assert_string_not_equal(option->name, command_seen->options[j].name);
  }
  for (size_t i = 0; i < command_seen->n_subcommands; i++)
    check_command(&command_seen->subcommands[i], path);
}

static void every_command_s_tables_are_complete(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_command *const *commands = rb_commands(&n);
  assert_true(n > 4);
  for (size_t i = 0; i < n; i++) {
    check_command(commands[i], "rollbook");
    assert_ptr_equal(rb_command_find(commands[i]->name), commands[i]);
  }
  assert_null(rb_command_find("nothing"));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(options_and_words_mix_in_any_order),
      cmocka_unit_test(what_is_not_given_has_its_fallback),
      cmocka_unit_test(wrong_use_names_the_option_and_what_it_takes),
      cmocka_unit_test(a_pair_is_split_at_its_first_equals_sign),
      cmocka_unit_test(slips_of_the_finger_are_recognised_and_other_words_are_not),
      cmocka_unit_test(every_command_s_tables_are_complete),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
