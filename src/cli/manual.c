// SPDX-License-Identifier: GPL-3.0-or-later
#include "help.h"

#include "rollbook/base/build_info.h"

#include <string.h>

// Text in roff: no line may start with a control character, and dashes and backslashes are literal.
static void literal(FILE *file, const char *text)
{
  bool start = true;
  for (; *text; text++) {
    if (start && (*text == '.' || *text == '\''))
      fputs("\\&", file);
    start = *text == '\n';
    if (*text == '\\')
      fputs("\\e", file);
    else if (*text == '-')
      fputs("\\-", file);
    else if (*text == '`')
      fputs("\\(ga", file);
    else
      fputc(*text, file);
  }
}

// Paragraphs parted by newlines.
static void paragraphs(FILE *file, const char *text)
{
  for (;;) {
    size_t length = strcspn(text, "\n");
    char line[2000];
    snprintf(line, sizeof line, "%.*s", (int)length, text);
    if (length) {
      fputs(".PP\n", file);
      literal(file, line);
      fputc('\n', file);
    }
    if (!text[length])
      return;
    text += length + 1;
  }
}

static void tagged(FILE *file, const char *name, const char *help, const char *range)
{
  fputs(".TP\n.B \"", file);
  literal(file, name);
  fputs("\"\n", file);
  literal(file, help);
  fputs(".", file);
  if (range[0]) {
    fputc('\n', file);
    literal(file, range);
  }
  fputc('\n', file);
}

static void options(FILE *file, const rb_option *table, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    char name[80], range[320];
    rb_help_option_name(&table[i], name, sizeof name);
    rb_help_range(&table[i], range, sizeof range);
    tagged(file, name, table[i].help, range);
  }
}

static void command_section(FILE *file, const rb_command *command, const char *path)
{
  fputs(".SS \"", file);
  literal(file, path);
  for (size_t i = 0; i < command->n_positionals; i++) {
    const rb_positional *word = &command->positionals[i];
    fprintf(file, " %s%s%s%s", word->optional ? "[" : "", word->name, word->repeatable ? "..." : "",
            word->optional ? "]" : "");
  }
  fputs("\"\n", file);
  literal(file, command->summary);
  fputs(".\n", file);
  if (command->description)
    paragraphs(file, command->description);
  for (size_t i = 0; i < command->n_positionals; i++)
    tagged(file, command->positionals[i].name, command->positionals[i].help, "");
  options(file, command->options, command->n_options);
  for (size_t i = 0; i < command->n_subcommands; i++) {
    char longer[160];
    snprintf(longer, sizeof longer, "%s %s", path, command->subcommands[i].name);
    command_section(file, &command->subcommands[i], longer);
  }
}

typedef struct tagged_line {
  const char *name, *help;
} tagged_line;

static const tagged_line files[] = {
    {"$ROLLBOOK_BOOK", "The book, unless --book names one"},
    {"$XDG_DATA_HOME/rollbook/book", "Else the book; without XDG_DATA_HOME it is "
                                     "~/.local/share/rollbook/book"},
    {"book.sqlite, captures/",
     "In the book: everything entered and measured, and what was recorded"},
    {"$ROLLBOOK_SIGNALS", "A folder of signal and plan files (NAME.ini) that is looked at first"},
};

static const tagged_line exits[] = {
    {"0", "Done"},
    {"1", "Done, and the answer is no: a check found damage, a tube failed"},
    {"2", "Wrong use, or input that cannot be used"},
    {"3", "The audio device: not there, refused, hung or lost"},
    {"4", "The book, or another file, could not be read or written"},
    {"70", "An internal error"},
    {"130", "Stopped by Ctrl-C; finished passes are kept"},
};

static const char *const safety[] = {
#define SAFETY_RULE(text) text,
#include "safety.def"
#undef SAFETY_RULE
};

static void tagged_lines(FILE *file, const char *section, const tagged_line *lines, size_t n)
{
  fprintf(file, ".SH %s\n", section);
  for (size_t i = 0; i < n; i++)
    tagged(file, lines[i].name, lines[i].help, "");
}

static void opening(FILE *file)
{
  fprintf(file, ".TH ROLLBOOK 1 \"\" \"Rollbook %s\" \"User Commands\"\n", rb_build()->version);
  fputs(
      ".SH NAME\nrollbook \\- measure a tube amplifier and keep the results by the tubes that "
      "were in it\n"
      ".SH SYNOPSIS\n.B rollbook\n[\\fB\\-\\-book\\fR \\fIDIR\\fR] [\\fB\\-\\-json\\fR] "
      "[\\fB\\-\\-quiet\\fR] \\fICOMMAND\\fR ...\n"
      ".SH DESCRIPTION\n"
      "Plays test tones through a loaded push\\-pull tube amplifier into an attenuated "
      "sound\\-card "
      "input, computes level, distortion, hum and noise with their uncertainty, keeps every result "
      "under the set of tubes that was in the sockets, and says which differences between two sets "
      "are real.\n",
      file);
  size_t n = 0;
  const rb_option *global = rb_global_options(&n);
  fputs(".SH OPTIONS\n.PP\nThese stand before or behind every command.\n", file);
  options(file, global, n);
}

void rb_help_manual(FILE *file)
{
  opening(file);
  fputs(".SH COMMANDS\n", file);
  size_t n = 0;
  const rb_command *const *commands = rb_commands(&n);
  for (size_t i = 0; i < n; i++) {
    char path[80];
    snprintf(path, sizeof path, "rollbook %s", commands[i]->name);
    if (!commands[i]->hidden)
      command_section(file, commands[i], path);
  }
  tagged_lines(file, "FILES", files, RB_LEN(files));
  tagged_lines(file, "EXIT STATUS", exits, RB_LEN(exits));
  fputs(
      ".SH SAFETY\n.PP\nTube amplifiers hold voltages that kill, also after they are switched "
      "off. Local electrical codes, the maker's manual and a licensed technician's judgement come "
      "first, always.\n",
      file);
  for (size_t i = 0; i < RB_LEN(safety); i++) {
    fprintf(file, ".IP %zu. 4\n", i + 1);
    literal(file, safety[i]);
    fputc('\n', file);
  }
}
