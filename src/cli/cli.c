// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/cli.h"

#include "help.h"

#include "rollbook/base/build_info.h"
#include "rollbook/base/log.h"
#include "rollbook/cli/command.h"
#include "rollbook/cli/console.h"
#include "rollbook/rig/card.h"

#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const int exit_codes[] = {
    [RB_OK] = RB_EXIT_DONE,
    [RB_BAD_ARG] = RB_EXIT_USE,
    [RB_NO_MEM] = RB_EXIT_USE, // in practice: an input that claims to be enormous
    [RB_NOT_FOUND] = RB_EXIT_USE,
    [RB_EXISTS] = RB_EXIT_USE,
    [RB_IO] = RB_EXIT_USE,
    [RB_FORMAT] = RB_EXIT_USE,
    [RB_UNSUPPORTED] = RB_EXIT_USE,
    [RB_DEVICE] = RB_EXIT_DEVICE,
    [RB_STORAGE] = RB_EXIT_STORAGE,
    [RB_LOST_FRAMES] = RB_EXIT_USE,
    [RB_CLIPPED] = RB_EXIT_USE,
    [RB_NO_SIGNAL] = RB_EXIT_USE,
    [RB_NOT_CALIBRATED] = RB_EXIT_USE,
    [RB_NO_CONVERGENCE] = RB_EXIT_USE,
    [RB_UNSAFE] = RB_EXIT_USE,
    [RB_CANCELLED] = RB_EXIT_CANCELLED,
    [RB_BUG] = RB_EXIT_BUG,
};
_Static_assert(RB_LEN(exit_codes) == RB_STATUS_COUNT, "one exit code a status");

int rb_exit_code(rb_status status)
{
  return (unsigned)status < RB_STATUS_COUNT ? exit_codes[status] : RB_EXIT_BUG;
}

/// A command line on its way to the command that runs.
typedef struct command_line {
  const rb_command *command;
  const char *path; ///< "rollbook bench set".
  int n_words;
  char **words; ///< words[0] is the command's own name.
  rb_arguments *arguments;
  bool finished; ///< --help or --version has answered.
} command_line;

static rb_status take_globals(rb_console *console, command_line *line, rb_err *err)
{
  const rb_arguments *arguments = line->arguments;
  console->json = console->json || rb_argument_given(arguments, "json");
  console->quiet = console->quiet || rb_argument_given(arguments, "quiet");
  if (rb_argument_given(arguments, "book")) {
    console->book_folder = rb_argument_text(arguments, "book");
    console->book_named = console->book_chosen = true;
  }
  if (rb_argument_given(arguments, "log")) {
    int failed = rb_log_to_file(rb_argument_text(arguments, "log"));
    if (failed)
      return rb_fail(err, RB_BAD_ARG, "The log file '%.200s' cannot be written: %s.",
                     rb_argument_text(arguments, "log"), strerror(failed));
  }
  if (rb_argument_given(arguments, "version")) {
    const rb_build_info *build = rb_build();
    fprintf(console->out, "rollbook %s (%s, %s)\n", build->version, build->compiler, build->kind);
    line->finished = true;
  } else if (rb_argument_given(arguments, "help")) {
    if (line->command->run || line->command->n_subcommands)
      rb_help_command(console->out, line->command, line->path);
    else
      rb_help_overview(console->out);
    line->finished = true;
  }
  return RB_OK;
}

// The words at hand up to the next command word, or all of them.
static rb_status read_words(rb_console *console, command_line *line, bool stop_at_first,
                            rb_err *err)
{
  RB_TRY(rb_arguments_parse(line->command, line->path, line->n_words, line->words, stop_at_first,
                            console->arena, &line->arguments, err));
  return take_globals(console, line, err);
}

static rb_status unknown_command(rb_console *console, const char *path, const char *word,
                                 const char **names, size_t n, rb_err *err)
{
  const char *near = rb_nearest_word(word, names, n);
  const char *list = "";
  for (size_t i = 0; i < n; i++)
    list = rb_cell(console, "%s%s%s", list, i ? ", " : "", names[i]);
  if (near)
    return rb_fail(err, RB_BAD_ARG, "'%s' has no command '%.80s'. Did you mean `%s %s`?", path,
                   word, path, near);
  return rb_fail(err, RB_BAD_ARG, "'%s' has no command '%.80s'. There are: %s.", path, word, list);
}

// Goes down to the command named by the next word.
static rb_status step_down(rb_console *console, command_line *line, rb_err *err)
{
  int next = rb_arguments_next(line->arguments);
  size_t n = 0;
  const rb_command *const *top = rb_commands(&n);
  bool at_top = !line->command->n_subcommands;
  n = at_top ? n : line->command->n_subcommands;
  const char **names = rb_arena_alloc(console->arena, n + 1, sizeof *names);
  if (!names)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading the command line.");
  for (size_t i = 0; i < n; i++)
    names[i] = at_top ? top[i]->name : line->command->subcommands[i].name;
  if (next >= line->n_words) {
    const char *list = "";
    for (size_t i = 0; i < n; i++)
      list = rb_cell(console, "%s%s%s", list, i ? ", " : "", names[i]);
    return rb_fail(err, RB_BAD_ARG, "'%s' needs one of: %s. `%s --help` explains them.", line->path,
                   list, line->path);
  }
  const char *word = line->words[next];
  for (size_t i = 0; i < n; i++)
    if (strcmp(names[i], word) == 0) {
      line->command = at_top ? top[i] : &line->command->subcommands[i];
      line->path = rb_cell(console, "%s %s", line->path, word);
      line->words += next;
      line->n_words -= next;
      return RB_OK;
    }
  return unknown_command(console, line->path, word, names, n, err);
}

// A command that has subcommands and can also be run itself, and no subcommand stands next.
static bool runs_itself(const command_line *line)
{
  int next = rb_arguments_next(line->arguments);
  if (!line->command->n_subcommands || !line->command->run)
    return false;
  for (size_t i = 0; next < line->n_words && i < line->command->n_subcommands; i++)
    if (strcmp(line->command->subcommands[i].name, line->words[next]) == 0)
      return false;
  return true;
}

static const char *usual_book(rb_console *console)
{
  const char *chosen = getenv("ROLLBOOK_BOOK");
  if (chosen && *chosen) {
    console->book_chosen = true;
    return chosen;
  }
  const char *data = getenv("XDG_DATA_HOME");
  if (data && data[0] == '/')
    return rb_cell(console, "%s/rollbook/book", data);
  const char *home = getenv("HOME");
  return rb_cell(console, "%s/.local/share/rollbook/book", home && *home ? home : ".");
}

static rb_status dispatch(rb_console *console, command_line *line, rb_err *err)
{
  RB_TRY(read_words(console, line, true, err));
  if (line->finished)
    return RB_OK;
  if (rb_arguments_next(line->arguments) >= line->n_words) {
    rb_help_overview(console->err);
    return rb_fail(err, RB_BAD_ARG, "No command was given.");
  }
  do {
    RB_TRY(step_down(console, line, err));
    console->command = line->path + strlen("rollbook ");
    RB_TRY(read_words(console, line, line->command->n_subcommands > 0, err));
    if (!line->finished && runs_itself(line))
      RB_TRY(read_words(console, line, false, err));
    if (line->finished)
      return RB_OK;
  } while (line->command->n_subcommands && !runs_itself(line));
  if (!console->book_folder)
    console->book_folder = usual_book(console);
  if (console->json)
    console->answer = rb_json_new(console->command);
  return line->command->run(console, line->arguments, err);
}

// The JSON answer: what the command wrote, or the error alone.
static rb_status print_answer(rb_console *console, rb_status status, const char *words)
{
  if (status != RB_OK && !console->keep_answer) {
    rb_json_free(console->answer);
    console->answer = rb_json_new(console->command);
  }
  if (status != RB_OK)
    rb_json_text(console->answer, "error", words);
  rb_text text = {0};
  rb_err problem = {.status = RB_OK};
  rb_status finished = rb_json_finish(console->answer, &text, &problem);
  if (finished == RB_OK)
    fwrite(text.bytes, 1, text.length, console->out);
  else
    fprintf(console->err, "rollbook: %s\n", problem.message);
  rb_text_free(&text);
  rb_json_free(console->answer);
  console->answer = NULL;
  return finished;
}

static int finish(rb_console *console, rb_status status, const rb_err *problem)
{
  if (console->live_line && status != RB_OK)
    fputs("\r\033[K", console->err);
  const char *words = problem->message[0] ? problem->message : rb_status_text(status);
  if (status != RB_OK) {
    const char *whole = rb_cell(console, "rollbook: %s", words);
    rb_wrap(console->err, whole, 0, 2);
  }
  if (console->json && (console->answer || status != RB_OK)) {
    rb_status printed = print_answer(console, status, words);
    status = status == RB_OK ? printed : status;
  }
  if (fflush(console->out) != 0 || ferror(console->out)) {
    fprintf(console->err, "rollbook: the answer could not be written: %s.\n", strerror(errno));
    return RB_EXIT_STORAGE;
  }
  fflush(console->err);
  if (status != RB_OK)
    return rb_exit_code(status);
  return console->answer_is_no ? RB_EXIT_NO : RB_EXIT_DONE;
}

int rb_cli_run(int argc, char **argv, FILE *in, FILE *out, FILE *err, const rb_cancel *cancel)
{
  rb_arena *arena = rb_arena_new(0);
  if (!arena) {
    fputs("rollbook: out of memory.\n", err);
    return RB_EXIT_BUG;
  }
  const char *no_colour = getenv("NO_COLOR");
  rb_console console = {
      .in = in,
      .out = out,
      .err = err,
      .colour = isatty(fileno(out)) && !(no_colour && *no_colour),
      .live_line = isatty(fileno(err)),
      .can_ask = isatty(fileno(in)),
      .command = "",
      .arena = arena,
      .cancel = cancel,
  };
  static const rb_command program = {.name = "rollbook"};
  command_line line = {.command = &program, .path = "rollbook", .n_words = argc, .words = argv};
  rb_err problem = {.status = RB_OK};
  rb_status status = dispatch(&console, &line, &problem);
  int code = finish(&console, status, &problem);
  rb_arena_free(arena);
  return code;
}

static rb_cancel stop_wish;

static void on_stop_signal(int number)
{
  (void)number;
  if (rb_cancel_requested(&stop_wish))
    _exit(RB_EXIT_CANCELLED); // asked twice: at once
  rb_cancel_request(&stop_wish);
}

static void watch_signals(void)
{
  struct sigaction stop = {.sa_handler = on_stop_signal}; // no SA_RESTART: a question must end
  sigemptyset(&stop.sa_mask);
  sigaction(SIGINT, &stop, NULL);
  sigaction(SIGTERM, &stop, NULL);
  sigaction(SIGHUP, &stop, NULL);
  struct sigaction ignore = {.sa_handler = SIG_IGN};
  sigemptyset(&ignore.sa_mask);
  sigaction(SIGPIPE, &ignore, NULL);
}

int rb_cli_main(int argc, char **argv)
{
  if (rb_card_worker_asked(argc, argv))
    return rb_card_worker_run();
  watch_signals();
  return rb_cli_run(argc, argv, stdin, stdout, stderr, &stop_wish);
}
