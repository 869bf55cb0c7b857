// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_HELP_H
#define ROLLBOOK_CLI_HELP_H

#include "rollbook/cli/command.h"

#include <stdio.h>

/// What the tables say, as help and as a manual page.

/// All commands with their one line.
void rb_help_overview(FILE *file);
/// Usage, words, options and an example of one command; `path` is "rollbook bench set".
void rb_help_command(FILE *file, const rb_command *command, const char *path);
/// The manual page in roff (man(7)).
void rb_help_manual(FILE *file);
/// "From 0.001 to 1000. Default: 1." or "".
void rb_help_range(const rb_option *option, char *text, size_t size);
/// "--power W".
void rb_help_option_name(const rb_option *option, char *text, size_t size);

#endif
