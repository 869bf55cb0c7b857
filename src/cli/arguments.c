// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/command.h"

#include "rollbook/base/text.h"

#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct given_option {
  const rb_option *option;
  const char *text; ///< NULL for a flag.
} given_option;

struct rb_arguments {
  const rb_command *command;
  size_t n_given, n_words;
  given_option *given;
  char **words;
  int next;
};

/// What one parse needs at hand.
typedef struct command_parser {
  const rb_command *command;
  const char *path; ///< "rollbook bench set", for messages.
  struct option *table;
  const rb_option **rows; ///< The option of each row of `table`.
  size_t n_rows;
  rb_arena *arena;
} command_parser;

// ---- the table for getopt_long

enum { FIRST_OPTION = 256, HELP_LETTER = 'h' };

static void add_rows(command_parser *parser, const rb_option *options, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    size_t row = parser->n_rows++;
    parser->rows[row] = &options[i];
    parser->table[row] = (struct option){
        .name = options[i].name,
        .has_arg = options[i].kind == RB_OPTION_FLAG ? no_argument : required_argument,
        .val = FIRST_OPTION + (int)row,
    };
  }
}

static rb_status make_table(command_parser *parser, rb_err *err)
{
  size_t n_global = 0;
  const rb_option *global = rb_global_options(&n_global);
  size_t n = n_global + parser->command->n_options;
  parser->table = rb_arena_alloc(parser->arena, n + 1, sizeof *parser->table);
  parser->rows = rb_arena_alloc(parser->arena, n + 1, sizeof *parser->rows);
  if (!parser->table || !parser->rows)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading the command line.");
  add_rows(parser, parser->command->options, parser->command->n_options);
  add_rows(parser, global, n_global);
  return RB_OK;
}

// ---- what can be wrong with it

static rb_status unknown_option(const command_parser *parser, const char *word, rb_err *err)
{
  const char *name = word + strspn(word, "-");
  char bare[64];
  snprintf(bare, sizeof bare, "%.*s", (int)strcspn(name, "="), name);
  const char **names = rb_arena_alloc(parser->arena, parser->n_rows + 1, sizeof *names);
  if (!names)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading the command line.");
  for (size_t i = 0; i < parser->n_rows; i++)
    names[i] = parser->rows[i]->name;
  const char *near = rb_nearest_word(bare, names, parser->n_rows);
  if (near)
    return rb_fail(err, RB_BAD_ARG, "%s has no option '%.80s'. Did you mean --%s?", parser->path,
                   word, near);
  return rb_fail(err, RB_BAD_ARG, "%s has no option '%.80s'. `%s --help` lists the options.",
                 parser->path, word, parser->path);
}

static rb_status check_number(const rb_option *option, const char *text, rb_err *err)
{
  double number = 0;
  bool any = option->lowest == 0 && option->highest == 0;
  if (!rb_text_to_number(text, &number))
    return rb_fail(err, RB_BAD_ARG,
                   "--%s needs a number (%s), but got '%.80s'. Write it with a point: 2.83",
                   option->name, option->value, text);
  if (option->kind == RB_OPTION_WHOLE && number != floor(number))
    return rb_fail(err, RB_BAD_ARG, "--%s needs a whole number, but got '%.80s'.", option->name,
                   text);
  if (!any && (number < option->lowest || number > option->highest))
    return rb_fail(err, RB_BAD_ARG, "--%s must be from %.15g to %.15g, but got '%.80s'.",
                   option->name, option->lowest, option->highest, text);
  return RB_OK;
}

static rb_status check_choice(const rb_option *option, const char *text, rb_err *err)
{
  char list[200] = "";
  size_t n = 0;
  for (; option->choices[n]; n++) {
    if (strcmp(option->choices[n], text) == 0)
      return RB_OK;
    size_t used = strlen(list);
    snprintf(list + used, sizeof list - used, "%s%s", n ? ", " : "", option->choices[n]);
  }
  const char *near = rb_nearest_word(text, option->choices, n);
  return rb_fail(err, RB_BAD_ARG, "--%s must be one of %s, but got '%.80s'.%s%s%s", option->name,
                 list, text, near ? " Did you mean " : "", near ? near : "", near ? "?" : "");
}

static rb_status check_value(const rb_option *option, const char *text, rb_err *err)
{
  if (option->kind == RB_OPTION_NUMBER || option->kind == RB_OPTION_WHOLE)
    return check_number(option, text, err);
  if (option->kind == RB_OPTION_CHOICE)
    return check_choice(option, text, err);
  if (option->kind == RB_OPTION_TEXT && !text[0])
    return rb_fail(err, RB_BAD_ARG, "--%s was given an empty text; it needs %s.", option->name,
                   option->value);
  return RB_OK;
}

static rb_status check_required(const command_parser *parser, const rb_arguments *arguments,
                                rb_err *err)
{
  const rb_command *command = parser->command;
  for (size_t i = 0; i < command->n_options; i++)
    if (command->options[i].required && !rb_argument_given(arguments, command->options[i].name))
      return rb_fail(err, RB_BAD_ARG, "%s needs --%s %s (%s). `%s --help` says more.", parser->path,
                     command->options[i].name, command->options[i].value, command->options[i].help,
                     parser->path);
  for (size_t i = 0; i < command->n_positionals; i++)
    if (!command->positionals[i].optional && arguments->n_words <= i)
      return rb_fail(err, RB_BAD_ARG, "%s needs %s (%s). `%s --help` says more.", parser->path,
                     command->positionals[i].name, command->positionals[i].help, parser->path);
  bool open_ended =
      command->n_positionals && command->positionals[command->n_positionals - 1].repeatable;
  if (!open_ended && arguments->n_words > command->n_positionals)
    return rb_fail(err, RB_BAD_ARG,
                   "%s does not know what to do with '%.80s'. `%s --help` shows how it is used; a "
                   "name with blanks needs quotes.",
                   parser->path, arguments->words[command->n_positionals], parser->path);
  return RB_OK;
}

// ---- reading it

static rb_status take_option(command_parser *parser, rb_arguments *arguments, int found,
                             char *const *words, rb_err *err)
{
  if (found == HELP_LETTER) {
    size_t n = 0;
    const rb_option *global = rb_global_options(&n);
    for (size_t i = 0; i < n; i++)
      if (strcmp(global[i].name, "help") == 0)
        arguments->given[arguments->n_given++] = (given_option){.option = &global[i]};
    return RB_OK;
  }
  if (found == ':')
    return rb_fail(err, RB_BAD_ARG, "The option '%.80s' of %s needs a value behind it.",
                   words[optind - 1], parser->path);
  if (found < FIRST_OPTION)
    return unknown_option(parser, words[optind - 1], err);
  const rb_option *option = parser->rows[found - FIRST_OPTION];
  if (!option->repeatable && rb_argument_given(arguments, option->name) &&
      option->kind != RB_OPTION_FLAG)
    return rb_fail(err, RB_BAD_ARG, "--%s was given twice; once is enough.", option->name);
  if (option->kind != RB_OPTION_FLAG)
    RB_TRY(check_value(option, optarg, err));
  arguments->given[arguments->n_given++] = (given_option){.option = option, .text = optarg};
  return RB_OK;
}

rb_status rb_arguments_parse(const rb_command *command, const char *path, int n_words, char **words,
                             bool stop_at_first, rb_arena *arena, rb_arguments **arguments,
                             rb_err *err)
{
  command_parser parser = {.command = command, .path = path, .arena = arena};
  RB_TRY(make_table(&parser, err));
  rb_arguments *fresh = rb_arena_alloc(arena, 1, sizeof *fresh);
  given_option *room = rb_arena_alloc(arena, (size_t)n_words + 1, sizeof *room);
  if (!fresh || !room)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading the command line.");
  *fresh = (rb_arguments){.command = command, .given = room};
  optind = 0; // glibc: start anew, so that one process can parse many lines
  opterr = 0;
  for (;;) {
    int found = getopt_long(n_words, words, stop_at_first ? "+:h" : ":h", parser.table, NULL);
    if (found == -1)
      break;
    RB_TRY(take_option(&parser, fresh, found, words, err));
  }
  fresh->next = optind;
  fresh->words = words + optind;
  fresh->n_words = (size_t)(n_words - optind);
  *arguments = fresh;
  if (stop_at_first || rb_argument_given(fresh, "help") || rb_argument_given(fresh, "version"))
    return RB_OK;
  return check_required(&parser, fresh, err);
}

// ---- asking for values

static const rb_option *row_of(const rb_arguments *arguments, const char *name)
{
  size_t n = 0;
  const rb_option *global = rb_global_options(&n);
  for (size_t i = 0; i < arguments->command->n_options; i++)
    if (strcmp(arguments->command->options[i].name, name) == 0)
      return &arguments->command->options[i];
  for (size_t i = 0; i < n; i++)
    if (strcmp(global[i].name, name) == 0)
      return &global[i];
  return NULL;
}

size_t rb_argument_count(const rb_arguments *arguments, const char *option)
{
  size_t n = 0;
  for (size_t i = 0; i < arguments->n_given; i++)
    n += strcmp(arguments->given[i].option->name, option) == 0;
  return n;
}

bool rb_argument_given(const rb_arguments *arguments, const char *option)
{
  return rb_argument_count(arguments, option) > 0;
}

const char *rb_argument_nth(const rb_arguments *arguments, const char *option, size_t index)
{
  for (size_t i = 0; i < arguments->n_given; i++)
    if (strcmp(arguments->given[i].option->name, option) == 0 && index-- == 0)
      return arguments->given[i].text;
  return NULL;
}

const char *rb_argument_text(const rb_arguments *arguments, const char *option)
{
  size_t n = rb_argument_count(arguments, option);
  if (n)
    return rb_argument_nth(arguments, option, n - 1);
  const rb_option *row = row_of(arguments, option);
  return row ? row->fallback : NULL;
}

double rb_argument_number(const rb_arguments *arguments, const char *option)
{
  const char *text = rb_argument_text(arguments, option);
  double number = 0;
  if (text && !rb_text_to_number(text, &number))
    return 0;
  return number;
}

const char *rb_argument_word(const rb_arguments *arguments, size_t index)
{
  return index < arguments->n_words ? arguments->words[index] : NULL;
}

size_t rb_argument_n_words(const rb_arguments *arguments)
{
  return arguments->n_words;
}

int rb_arguments_next(const rb_arguments *arguments)
{
  return arguments->next;
}

rb_status rb_argument_pair(const char *option, const char *text, rb_arena *arena, const char **name,
                           const char **value, rb_err *err)
{
  const char *equals = strchr(text, '=');
  if (!equals || equals == text || !equals[1])
    return rb_fail(err, RB_BAD_ARG, "--%s needs NAME=VALUE, but got '%.80s'.", option, text);
  char *copy = rb_arena_copy(arena, text);
  if (!copy)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading --%s.", option);
  copy[equals - text] = '\0';
  *name = copy;
  *value = copy + (equals - text) + 1;
  return RB_OK;
}
