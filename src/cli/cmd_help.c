// SPDX-License-Identifier: GPL-3.0-or-later
#include "help.h"

#include "rollbook/cli/console.h"

#include <string.h>

static const rb_command *child_of(const rb_command *command, const char *name)
{
  for (size_t i = 0; i < command->n_subcommands; i++)
    if (strcmp(command->subcommands[i].name, name) == 0)
      return &command->subcommands[i];
  return NULL;
}

static rb_status run(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  if (rb_argument_given(arguments, "man")) {
    rb_help_manual(console->out);
    return RB_OK;
  }
  const char *name = rb_argument_word(arguments, 0);
  if (!name) {
    rb_help_overview(console->out);
    return RB_OK;
  }
  const rb_command *command = rb_command_find(name);
  const char *path = rb_cell(console, "rollbook %s", name);
  const char *below = rb_argument_word(arguments, 1);
  if (command && below) {
    command = child_of(command, below);
    path = rb_cell(console, "%s %s", path, below);
  }
  if (!command)
    return rb_fail(err, RB_BAD_ARG, "There is no command '%.120s'. `rollbook help` lists them.",
                   path + strlen("rollbook "));
  rb_help_command(console->out, command, path);
  return RB_OK;
}

static const rb_option options[] = {
    {.name = "man", .kind = RB_OPTION_FLAG, .help = "Print the manual page as roff"},
};

static const rb_positional positionals[] = {
    {.name = "COMMAND", .help = "The command to explain", .optional = true, .repeatable = true},
};

const rb_command rb_command_help = {
    .name = "help",
    .summary = "Explain the commands",
    .example = "rollbook help bench set",
    RB_OPTIONS(options),
    RB_POSITIONALS(positionals),
    .run = run,
};
