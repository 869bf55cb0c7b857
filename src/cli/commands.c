// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/command.h"

#include <string.h>

#define COMMAND(name) extern const rb_command rb_command_##name;
#include "commands.def"
#undef COMMAND

static const rb_command *const commands[] = {
#define COMMAND(name) &rb_command_##name,
#include "commands.def"
#undef COMMAND
};

const rb_command *const *rb_commands(size_t *n)
{
  *n = RB_LEN(commands);
  return commands;
}

const rb_command *rb_command_find(const char *name)
{
  for (size_t i = 0; i < RB_LEN(commands); i++)
    if (strcmp(commands[i]->name, name) == 0)
      return commands[i];
  return NULL;
}

static const rb_option global_options[] = {
    {.name = "book",
     .kind = RB_OPTION_TEXT,
     .value = "DIR",
     .help = "The folder everything is kept in; else $ROLLBOOK_BOOK, else the usual place of this "
             "user's data (see FILES in the manual)"},
    {.name = "json",
     .kind = RB_OPTION_FLAG,
     .help = "Answer with one JSON object on standard output"},
    {.name = "quiet",
     .kind = RB_OPTION_FLAG,
     .help = "No progress, no remarks; only results and errors"},
    {.name = "log",
     .kind = RB_OPTION_TEXT,
     .value = "FILE",
     .help = "Append what the program and the sound libraries say to a file"},
    {.name = "help", .kind = RB_OPTION_FLAG, .help = "Say how this command is used"},
    {.name = "version", .kind = RB_OPTION_FLAG, .help = "Say which version this is"},
};

const rb_option *rb_global_options(size_t *n)
{
  *n = RB_LEN(global_options);
  return global_options;
}
