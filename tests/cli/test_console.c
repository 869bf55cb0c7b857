// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/cli.h"
#include "rollbook/cli/console.h"

#include "near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/// A console that writes into memory.
typedef struct desk {
  rb_console console;
  char *text;
  size_t size;
} desk;

static desk *new_desk(void)
{
  desk *fresh = calloc(1, sizeof *fresh);
  assert_non_null(fresh);
  fresh->console.out = open_memstream(&fresh->text, &fresh->size);
  fresh->console.err = fresh->console.out;
  fresh->console.arena = rb_arena_new(0);
  return fresh;
}

static const char *written(desk *desk_seen)
{
  fflush(desk_seen->console.out);
  return desk_seen->text;
}

static void free_desk(desk *desk_seen)
{
  fclose(desk_seen->console.out);
  rb_arena_free(desk_seen->console.arena);
  free(desk_seen->text);
  free(desk_seen);
}

static int widest_line(const char *text)
{
  int widest = 0;
  while (*text) {
    size_t length = strcspn(text, "\n");
    char line[1000];
    snprintf(line, sizeof line, "%.*s", (int)length, text);
    widest = rb_columns(line) > widest ? rb_columns(line) : widest;
    text += length + (text[length] == '\n');
  }
  return widest;
}

static void text_is_wrapped_between_words_and_newlines_stay(void **state)
{
  (void)state;
  desk *here = new_desk();
  const char *const word = "ohm Ω ";
  char text[900] = "";
  for (size_t i = 0; i < 60; i++)
    strcat(text, word);
  strcat(text, "\n  kept blanks\n\nend");
  rb_wrap(here->console.out, text, 0, 0);
  assert_true(widest_line(written(here)) < RB_CONSOLE_COLUMNS);
  assert_true(widest_line(written(here)) > RB_CONSOLE_COLUMNS - 8);
  assert_non_null(strstr(here->text, "\n  kept blanks\n\nend\n"));
  assert_null(strstr(here->text, " \n"));
  free_desk(here);
}

static void a_word_longer_than_a_line_is_not_lost(void **state)
{
  (void)state;
  desk *here = new_desk();
  char word[200];
  memset(word, 'w', sizeof word - 1);
  word[sizeof word - 1] = '\0';
  rb_console_tell(&here->console, "before %s after", word);
  assert_non_null(strstr(written(here), word));
  assert_non_null(strstr(here->text, "after"));
  free_desk(here);
}

static void a_listing_keeps_columns_apart_and_within_the_screen(void **state)
{
  (void)state;
  desk *here = new_desk();
  static const rb_listing_column columns[] = {{"name", false}, {"figure", true}, {"note", false}};
  rb_listing *listing = rb_listing_new(&here->console, columns, RB_LEN(columns));
  const char *note = "a note that is much too long for one line of a terminal and therefore has to "
                     "go on below, within its own column, with nothing lost";
  rb_listing_row(listing, (const char *[]){"Ω", "1.5 V", note});
  rb_listing_row(listing, (const char *[]){"plain", "−12.25 V", NULL});
  rb_listing_print(listing);
  assert_true(widest_line(written(here)) <= RB_CONSOLE_COLUMNS);
  assert_non_null(strstr(here->text, "name     figure  note\n"));
  assert_non_null(strstr(here->text, "Ω         1.5 V  a note"));
  assert_non_null(strstr(here->text, "plain  −12.25 V\n"));
  assert_non_null(strstr(here->text, "lost"));
  assert_null(strstr(here->text, " \n"));
  free_desk(here);
}

static void an_empty_listing_and_json_print_nothing(void **state)
{
  (void)state;
  desk *here = new_desk();
  static const rb_listing_column columns[] = {{"name", false}};
  rb_listing *listing = rb_listing_new(&here->console, columns, RB_LEN(columns));
  rb_listing_print(listing);
  here->console.json = true;
  rb_listing_row(listing, (const char *[]){"x"});
  rb_listing_print(listing);
  rb_console_tell(&here->console, "words");
  assert_string_equal(written(here), "");
  free_desk(here);
}

static void a_question_nobody_can_answer_is_refused(void **state)
{
  (void)state;
  desk *here = new_desk();
  char answer[20];
  rb_err err;
  assert_int_equal(rb_console_ask(&here->console, "Sure?", answer, sizeof answer, &err), RB_UNSAFE);
  assert_non_null(strstr(err.message, "Sure?"));
  char typed[] = "  yes \nno";
  here->console.can_ask = true;
  here->console.in = fmemopen(typed, strlen(typed), "r");
  assert_int_equal(rb_console_ask(&here->console, "Sure?", answer, sizeof answer, &err), RB_OK);
  assert_string_equal(answer, "yes");
  assert_int_equal(rb_console_ask(&here->console, "Sure?", answer, sizeof answer, &err), RB_OK);
  assert_int_equal(rb_console_ask(&here->console, "Sure?", answer, sizeof answer, &err),
                   RB_CANCELLED);
  fclose(here->console.in);
  free_desk(here);
}

static void every_status_has_the_exit_code_the_manual_names(void **state)
{
  (void)state;
  static const struct {
    rb_status status;
    int code;
  } rows[] = {
      {RB_OK, 0},      {RB_BAD_ARG, 2},     {RB_NOT_FOUND, 2},   {RB_FORMAT, 2},
      {RB_CLIPPED, 2}, {RB_LOST_FRAMES, 2}, {RB_UNSAFE, 2},      {RB_DEVICE, 3},
      {RB_STORAGE, 4}, {RB_BUG, 70},        {RB_CANCELLED, 130}, {RB_STATUS_COUNT, 70},
  };
  for (size_t i = 0; i < RB_LEN(rows); i++)
    assert_int_equal(rb_exit_code(rows[i].status), rows[i].code);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(text_is_wrapped_between_words_and_newlines_stay),
      cmocka_unit_test(a_word_longer_than_a_line_is_not_lost),
      cmocka_unit_test(a_listing_keeps_columns_apart_and_within_the_screen),
      cmocka_unit_test(an_empty_listing_and_json_print_nothing),
      cmocka_unit_test(a_question_nobody_can_answer_is_refused),
      cmocka_unit_test(every_status_has_the_exit_code_the_manual_names),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
