// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/stock.h"

#include "rollbook/base/text.h"

#include <string.h>

// ---- filling sockets

static rb_status unknown_socket(rb_console *console, const rb_lineup *lineup, const char *name,
                                rb_err *err)
{
  const char *list = "";
  for (size_t i = 0; i < lineup->amplifier.n_sockets; i++)
    list = rb_cell(console, "%s%s%s", list, i ? ", " : "", lineup->amplifier.sockets[i].name);
  return rb_fail(err, RB_BAD_ARG, "'%s' has no socket '%.40s'. It has: %s.", lineup->amplifier.name,
                 name, list);
}

// The fitting of a socket, empty where there is none yet.
static rb_status fitting_of(rb_console *console, rb_lineup *lineup, const char *socket,
                            rb_fitting **fitting, rb_err *err)
{
  if (!rb_amplifier_socket(&lineup->amplifier, socket))
    return unknown_socket(console, lineup, socket, err);
  for (size_t i = 0; i < lineup->n_fittings; i++)
    if (strcmp(lineup->fittings[i].socket, socket) == 0) {
      *fitting = &lineup->fittings[i];
      return RB_OK;
    }
  *fitting = &lineup->fittings[lineup->n_fittings++];
  **fitting = (rb_fitting){.bias_ma = 0};
  return rb_stock_text("A socket's name", socket, (*fitting)->socket, sizeof(*fitting)->socket,
                       err);
}

static rb_status check_once_each(const rb_lineup *lineup, rb_err *err)
{
  for (size_t i = 0; i < lineup->n_fittings; i++)
    for (size_t j = 0; j < i; j++)
      if (lineup->fittings[i].tube.id == lineup->fittings[j].tube.id)
        return rb_fail(
            err, RB_BAD_ARG, "The tube '%s' would stand in both %s and %s; a tube has one socket.",
            lineup->fittings[i].tube.label, lineup->fittings[j].socket, lineup->fittings[i].socket);
  return RB_OK;
}

static rb_status fit_tubes(rb_console *console, const rb_arguments *arguments, rb_book *book,
                           rb_lineup *lineup, rb_err *err)
{
  for (size_t i = 0; i < rb_argument_count(arguments, "socket"); i++) {
    const char *socket = NULL, *label = NULL;
    rb_fitting *fitting = NULL;
    RB_TRY(rb_argument_pair("socket", rb_argument_nth(arguments, "socket", i), console->arena,
                            &socket, &label, err));
    RB_TRY(fitting_of(console, lineup, socket, &fitting, err));
    RB_TRY(rb_stock_tube(console, book, label, &fitting->tube, err));
  }
  for (size_t i = 0; i < rb_argument_count(arguments, "bias"); i++) {
    const char *socket = NULL, *value = NULL;
    RB_TRY(rb_argument_pair("bias", rb_argument_nth(arguments, "bias", i), console->arena, &socket,
                            &value, err));
    rb_fitting *fitting = NULL;
    RB_TRY(fitting_of(console, lineup, socket, &fitting, err));
    if (!fitting->tube.label[0])
      return rb_fail(err, RB_BAD_ARG,
                     "--bias %s: no tube is in that socket; add --socket %s=LABEL.", socket,
                     socket);
    if (!rb_text_to_number(value, &fitting->bias_ma) || fitting->bias_ma < 0 ||
        fitting->bias_ma > 500)
      return rb_fail(err, RB_BAD_ARG, "--bias %s needs mA from 0 to 500, but got '%.40s'.", socket,
                     value);
  }
  return check_once_each(lineup, err);
}

// ---- answers

static void answer_lineup(rb_json *json, const char *name, const rb_lineup *lineup)
{
  rb_json_object(json, name);
  rb_json_text(json, "name", lineup->name);
  rb_json_text(json, "amp", lineup->amplifier.name);
  rb_json_text(json, "note", lineup->note);
  rb_json_object(json, "sockets");
  for (size_t i = 0; i < lineup->n_fittings; i++)
    rb_json_text(json, lineup->fittings[i].socket, lineup->fittings[i].tube.label);
  rb_json_end(json);
  rb_json_object(json, "bias_ma");
  for (size_t i = 0; i < lineup->n_fittings; i++)
    if (lineup->fittings[i].bias_ma > 0)
      rb_json_number(json, lineup->fittings[i].socket, lineup->fittings[i].bias_ma);
  rb_json_end(json);
  rb_json_end(json);
}

static void list_sockets(rb_console *console, const rb_lineup *lineup)
{
  static const rb_listing_column columns[] = {{"socket", false},  {"role", false},
                                              {"channel", false}, {"tube", false},
                                              {"type", false},    {"bias", true}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < lineup->amplifier.n_sockets; i++) {
    const rb_socket *socket = &lineup->amplifier.sockets[i];
    const rb_fitting *fitting = rb_lineup_fitting(lineup, socket->name);
    bool biased = fitting && fitting->bias_ma > 0;
    rb_listing_row(listing,
                   (const char *[]){socket->name, rb_role_name(socket->role),
                                    rb_channel_name(socket->channel),
                                    fitting ? fitting->tube.label : "(not entered)",
                                    fitting ? fitting->tube.type : socket->type,
                                    biased ? rb_cell(console, "%g mA", fitting->bias_ma) : ""});
  }
  rb_listing_print(listing);
}

static const char *measure_hint(rb_console *console, const rb_lineup *lineup)
{
  return rb_cell(console, "Next: `rollbook measure \"%s\"`.", lineup->name);
}

// ---- lineup new

static rb_status new_lineup(rb_console *console, const rb_arguments *arguments, rb_book *book,
                            rb_err *err)
{
  rb_lineup lineup = {.id = 0};
  RB_TRY(rb_stock_name("The line-up's name", rb_argument_word(arguments, 0), lineup.name,
                       sizeof lineup.name, err));
  RB_TRY(rb_stock_text("--note", rb_argument_text(arguments, "note"), lineup.note,
                       sizeof lineup.note, err));
  RB_TRY(rb_stock_amplifier(console, book, rb_argument_text(arguments, "amp"), &lineup.amplifier,
                            err));
  RB_TRY(fit_tubes(console, arguments, book, &lineup, err));
  RB_TRY(rb_book_add_lineup(book, &lineup, err));
  answer_lineup(console->answer, "lineup", &lineup);
  rb_console_tell(console, "The line-up '%s' of '%s' is in the book.", lineup.name,
                  lineup.amplifier.name);
  list_sockets(console, &lineup);
  rb_console_say(console, "%s", measure_hint(console, &lineup));
  return RB_OK;
}

static rb_status run_new(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, new_lineup, err);
}

#define FITTING_OPTIONS                                                                            \
  {.name = "socket",                                                                               \
   .kind = RB_OPTION_TEXT,                                                                         \
   .value = "SOCKET=LABEL",                                                                        \
   .repeatable = true,                                                                             \
   .help = "Which tube of the stock goes into which socket"},                                      \
      {.name = "bias",                                                                             \
       .kind = RB_OPTION_TEXT,                                                                     \
       .value = "SOCKET=MA",                                                                       \
       .repeatable = true,                                                                         \
       .help = "Cathode current an output tube was set to"},                                       \
  {                                                                                                \
    .name = "note", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "Anything worth keeping"      \
  }

static const rb_option new_options[] = {
    {.name = "amp",
     .kind = RB_OPTION_TEXT,
     .value = "AMP",
     .help = "The amplifier; may be left out while the book has only one"},
    FITTING_OPTIONS,
};

// ---- lineup swap

static rb_status swap(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_lineup lineup;
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 0), &lineup, err));
  const char *from = rb_cell(console, "%s", lineup.name);
  const char *note = rb_argument_text(arguments, "note");
  if (!rb_argument_given(arguments, "socket") && !rb_argument_given(arguments, "bias"))
    return rb_fail(err, RB_BAD_ARG,
                   "Nothing would change: name what does, with --socket V2=LABEL or "
                   "--bias V3=MA.");
  RB_TRY(rb_stock_name("The line-up's name", rb_argument_word(arguments, 1), lineup.name,
                       sizeof lineup.name, err));
  RB_TRY(rb_stock_text("--note", note, lineup.note, sizeof lineup.note, err));
  RB_TRY(fit_tubes(console, arguments, book, &lineup, err));
  RB_TRY(rb_book_add_lineup(book, &lineup, err));
  answer_lineup(console->answer, "lineup", &lineup);
  rb_console_tell(console, "The line-up '%s' is in the book: '%s' with what you named changed.",
                  lineup.name, from);
  list_sockets(console, &lineup);
  rb_console_say(console, "%s", measure_hint(console, &lineup));
  return RB_OK;
}

static rb_status run_swap(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, swap, err);
}

static const rb_option swap_options[] = {FITTING_OPTIONS};

static const rb_positional swap_words[] = {
    {.name = "FROM", .help = "The line-up to start from"},
    {.name = "NEW", .help = "What the new one is called"},
};

// ---- lineup show, lineup list

static rb_status show(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_lineup lineup;
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 0), &lineup, err));
  rb_pass *passes = NULL;
  size_t n_passes = 0;
  RB_TRY(rb_book_passes(book, lineup.id, 0, console->arena, &passes, &n_passes, err));
  answer_lineup(console->answer, "lineup", &lineup);
  rb_json_integer(console->answer, "passes", (int64_t)n_passes);
  rb_console_tell(console, "%s, in '%s': %zu pass%s measured.", lineup.name, lineup.amplifier.name,
                  n_passes, n_passes == 1 ? "" : "es");
  if (lineup.note[0])
    rb_console_tell(console, "%s", lineup.note);
  list_sockets(console, &lineup);
  return RB_OK;
}

static rb_status run_show(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, show, err);
}

static rb_status list(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  (void)arguments;
  static const rb_listing_column columns[] = {
      {"line-up", false}, {"amplifier", false}, {"tubes", true}, {"passes", true}};
  rb_lineup *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_lineups(book, console->arena, &all, &n, err));
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  rb_json_array(console->answer, "lineups");
  for (size_t i = 0; i < n; i++) {
    rb_pass *passes = NULL;
    size_t n_passes = 0;
    RB_TRY(rb_book_passes(book, all[i].id, 0, console->arena, &passes, &n_passes, err));
    answer_lineup(console->answer, NULL, &all[i]);
    rb_listing_row(listing, (const char *[]){all[i].name, all[i].amplifier.name,
                                             rb_cell(console, "%zu", all[i].n_fittings),
                                             rb_cell(console, "%zu", n_passes)});
  }
  rb_json_end(console->answer);
  rb_console_tell(console, "%zu line-up%s in the book.", n, n == 1 ? "" : "s");
  rb_listing_print(listing);
  return RB_OK;
}

static rb_status run_list(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, list, err);
}

static const rb_positional name_words[] = {{.name = "NAME", .help = "The line-up"}};

static const rb_command subcommands[] = {
    {.name = "new",
     .summary = "Write down which tube sits in which socket",
     .description =
         "Sockets that are not named are kept as not entered; on the simulated amplifier "
         "they hold a tube exactly as its type says.",
     .example = "rollbook lineup new \"As delivered\" --socket V3=OUT-1 --bias "
                "V3=36",
     RB_OPTIONS(new_options),
     RB_POSITIONALS(name_words),
     .run = run_new},
    {.name = "swap",
     .summary = "A new line-up: another one with some sockets changed",
     .example = "rollbook lineup swap \"As delivered\" \"Other inverter\" --socket V2=PI-09",
     RB_OPTIONS(swap_options),
     RB_POSITIONALS(swap_words),
     .run = run_swap},
    {.name = "show", .summary = "One line-up", RB_POSITIONALS(name_words), .run = run_show},
    {.name = "list", .summary = "All line-ups", .run = run_list},
};

const rb_command rb_command_lineup = {
    .name = "lineup",
    .summary = "Which tube sits in which socket",
    RB_SUBCOMMANDS(subcommands),
};
