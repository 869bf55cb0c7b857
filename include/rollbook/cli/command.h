// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_COMMAND_H
#define ROLLBOOK_CLI_COMMAND_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"

#include <stdbool.h>
#include <stddef.h>

/// A command is one file `src/cli/cmd_<name>.c` that exports `const rb_command rb_command_<name>`,
/// and one row in `src/cli/commands.def`. Its tables give parsing, `--help` and the manual page.

typedef struct rb_console rb_console;
typedef struct rb_arguments rb_arguments;

typedef enum rb_option_kind {
  RB_OPTION_FLAG,   ///< Takes no value.
  RB_OPTION_TEXT,   ///< Any text.
  RB_OPTION_NUMBER, ///< A finite number, lowest … highest.
  RB_OPTION_WHOLE,  ///< A whole number, lowest … highest.
  RB_OPTION_CHOICE, ///< One of `choices`.
} rb_option_kind;

typedef struct rb_option {
  const char *name; ///< Long name without dashes: "warm-up".
  rb_option_kind kind;
  const char *value;          ///< What stands for the value in the help: "SECONDS".
  double lowest, highest;     ///< For numbers; both 0: any.
  const char *const *choices; ///< NULL-ended.
  const char *fallback; ///< What holds when it is not given, as a user would write it; or NULL.
  bool repeatable;
  bool required;
  const char *help; ///< A sentence without its full stop.
} rb_option;

typedef struct rb_positional {
  const char *name; ///< "LINEUP".
  const char *help;
  bool optional;
  bool repeatable; ///< Only the last one.
} rb_positional;

typedef struct rb_command {
  const char *name;
  const char *summary;     ///< One line, without a full stop.
  const char *description; ///< Paragraphs parted by newlines; NULL: the summary says it.
  const char *example;     ///< One command line; NULL.
  bool hidden;             ///< Not in overview and manual.
  const struct rb_command *subcommands; ///< With these, options and run belong to them alone.
  size_t n_subcommands;
  const rb_option *options;
  size_t n_options;
  const rb_positional *positionals;
  size_t n_positionals;
  rb_status (*run)(rb_console *console, const rb_arguments *arguments, rb_err *err);
} rb_command;

/// Fills the two table members of a command.
#define RB_OPTIONS(table) .options = (table), .n_options = RB_LEN(table)
#define RB_POSITIONALS(table) .positionals = (table), .n_positionals = RB_LEN(table)
#define RB_SUBCOMMANDS(table) .subcommands = (table), .n_subcommands = RB_LEN(table)

/// Every command in the order of commands.def; `*n` of them.
const rb_command *const *rb_commands(size_t *n);
/// The command of that name, or NULL.
const rb_command *rb_command_find(const char *name);
/// Options every command takes: --book, --json, --quiet, --log, --help, --version.
const rb_option *rb_global_options(size_t *n);

/// Parses the words behind a command (`words[0]` is the command's own name) over its option and
/// positional tables and the global ones. Errors are RB_BAD_ARG and name the option, its range and
/// what was given. Everything lives in `arena`; words are borrowed.
RB_NODISCARD rb_status rb_arguments_parse(const rb_command *command, const char *path, int n_words,
                                          char **words, bool stop_at_first, rb_arena *arena,
                                          rb_arguments **arguments, rb_err *err);

bool rb_argument_given(const rb_arguments *arguments, const char *option);
/// The option's value (the last one given), else its fallback, else NULL.
const char *rb_argument_text(const rb_arguments *arguments, const char *option);
/// As a number; an option without fallback must have been given.
double rb_argument_number(const rb_arguments *arguments, const char *option);
/// How often a repeatable option was given, and its values in order.
size_t rb_argument_count(const rb_arguments *arguments, const char *option);
const char *rb_argument_nth(const rb_arguments *arguments, const char *option, size_t index);
/// Words that are no options, in order; NULL past the last.
const char *rb_argument_word(const rb_arguments *arguments, size_t index);
size_t rb_argument_n_words(const rb_arguments *arguments);
/// Index of the first word not looked at (where parsing stopped at the first that is no option).
int rb_arguments_next(const rb_arguments *arguments);

/// Splits "V1=label" of option `option`. RB_BAD_ARG where there is no '=' or nothing before it.
RB_NODISCARD rb_status rb_argument_pair(const char *option, const char *text, rb_arena *arena,
                                        const char **name, const char **value, rb_err *err);

/// The candidate nearest to `word` by Damerau-Levenshtein distance (Damerau, CACM 7(3), 1964), if
/// it is near enough to be a slip of the finger; else NULL.
const char *rb_nearest_word(const char *word, const char *const *candidates, size_t n);

#endif
