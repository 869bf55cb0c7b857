// SPDX-License-Identifier: GPL-3.0-or-later
#include "help.h"

#include "rollbook/cli/console.h"

#include <string.h>

enum { INDENT = 2, NAME_COLUMNS = 24 };

static void append(char *text, size_t size, const char *addition)
{
  size_t used = strlen(text);
  snprintf(text + used, size - used, "%s%s", used ? " " : "", addition);
}

void rb_help_option_name(const rb_option *option, char *text, size_t size)
{
  bool flag = option->kind == RB_OPTION_FLAG;
  snprintf(text, size, "--%s%s%s", option->name, flag ? "" : " ", flag ? "" : option->value);
}

void rb_help_range(const rb_option *option, char *text, size_t size)
{
  char part[160];
  text[0] = '\0';
  bool number = option->kind == RB_OPTION_NUMBER || option->kind == RB_OPTION_WHOLE;
  if (number && (option->lowest != 0 || option->highest != 0)) {
    snprintf(part, sizeof part, "From %.15g to %.15g.", option->lowest, option->highest);
    append(text, size, part);
  }
  if (option->kind == RB_OPTION_CHOICE) {
    append(text, size, "One of");
    for (size_t i = 0; option->choices[i]; i++) {
      snprintf(part, sizeof part, "%s%s", option->choices[i], option->choices[i + 1] ? "," : ".");
      append(text, size, part);
    }
  }
  if (option->fallback) {
    snprintf(part, sizeof part, "Default: %s.", option->fallback);
    append(text, size, part);
  }
  if (option->repeatable)
    append(text, size, "May be given several times.");
  if (option->required)
    append(text, size, "Needed.");
}

static void entry(FILE *file, const char *name, const char *help)
{
  int used = fprintf(file, "%*s%s", INDENT, "", name) - (int)strlen(name) + rb_columns(name);
  int start = INDENT + NAME_COLUMNS;
  if (used + 2 > start) {
    fputc('\n', file);
    used = 0;
  }
  fprintf(file, "%*s", start - used, "");
  rb_wrap(file, help, start, start);
}

void rb_help_overview(FILE *file)
{
  rb_wrap(file,
          "Rollbook plays test tones through a loaded push-pull tube amplifier, keeps what it "
          "measures under the set of tubes that was in the sockets, and says which differences "
          "between two sets are real.\n\n"
          "Usage: rollbook [--book DIR] [--json] [--quiet] COMMAND ...\n\nCommands",
          0, 0);
  size_t n = 0;
  const rb_command *const *commands = rb_commands(&n);
  for (size_t i = 0; i < n; i++)
    if (!commands[i]->hidden)
      entry(file, commands[i]->name, commands[i]->summary);
  rb_wrap(file,
          "\n`rollbook COMMAND --help` explains one of them. `rollbook demo` shows the whole job "
          "on a simulated amplifier: nothing needs to be connected.",
          0, 0);
}

static void usage_line(FILE *file, const rb_command *command, const char *path)
{
  char line[400] = "";
  char part[120];
  for (size_t i = 0; i < command->n_options; i++)
    if (command->options[i].required) {
      rb_help_option_name(&command->options[i], part, sizeof part);
      append(line, sizeof line, part);
    }
  for (size_t i = 0; i < command->n_positionals; i++) {
    const rb_positional *word = &command->positionals[i];
    snprintf(part, sizeof part, "%s%s%s%s", word->optional ? "[" : "", word->name,
             word->repeatable ? "..." : "", word->optional ? "]" : "");
    append(line, sizeof line, part);
  }
  if (command->n_options)
    append(line, sizeof line, "[options]");
  if (command->run)
    fprintf(file, "Usage: %s %s\n", path, line);
  if (command->n_subcommands)
    fprintf(file, "Usage: %s COMMAND ...\n", path);
  fputc('\n', file);
}

static void option_entries(FILE *file, const rb_option *options, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    char name[80], range[320], help[640];
    rb_help_option_name(&options[i], name, sizeof name);
    rb_help_range(&options[i], range, sizeof range);
    snprintf(help, sizeof help, "%s.%s%s", options[i].help, range[0] ? " " : "", range);
    entry(file, name, help);
  }
}

void rb_help_command(FILE *file, const rb_command *command, const char *path)
{
  usage_line(file, command, path);
  rb_wrap(file, command->summary, 0, 0);
  if (command->description) {
    fputc('\n', file);
    rb_wrap(file, command->description, 0, 0);
  }
  if (command->n_subcommands)
    fputs("\nCommands\n", file);
  for (size_t i = 0; i < command->n_subcommands; i++)
    entry(file, command->subcommands[i].name, command->subcommands[i].summary);
  if (command->n_positionals)
    fputc('\n', file);
  for (size_t i = 0; i < command->n_positionals; i++)
    entry(file, command->positionals[i].name, command->positionals[i].help);
  if (command->n_options) {
    fputs("\nOptions\n", file);
    option_entries(file, command->options, command->n_options);
  }
  size_t n = 0;
  const rb_option *global = rb_global_options(&n);
  fputs("\nOptions of every command\n", file);
  option_entries(file, global, n);
  if (command->example)
    fprintf(file, "\nExample\n  %s\n", command->example);
}
