// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/simulated.h"
#include "rollbook/cli/stock.h"

#include <ctype.h>
#include <string.h>

// ---- a socket on the command line: V1=phase inverter,left,6SN7

// Same letters, whatever blanks, hyphens and brackets stand between them: "output-push".
static bool same_letters(const char *a, const char *b)
{
  for (;;) {
    while (*a && !isalnum((unsigned char)*a))
      a++;
    while (*b && !isalnum((unsigned char)*b))
      b++;
    if (!*a || !*b)
      return !*a && !*b;
    if (tolower((unsigned char)*a++) != tolower((unsigned char)*b++))
      return false;
  }
}

static rb_status read_role(const char *text, rb_role *role, rb_err *err)
{
  char list[256] = "";
  for (unsigned i = 0; i < RB_ROLE_COUNT; i++) {
    const char *name = rb_role_name((rb_role)i);
    if (same_letters(text, name)) {
      *role = (rb_role)i;
      return RB_OK;
    }
    size_t used = strlen(list);
    snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", name);
  }
  return rb_fail(err, RB_BAD_ARG, "'%.60s' is no role of a socket. There are: %s.", text, list);
}

static char *next_part(char **rest)
{
  char *part = *rest;
  if (!part)
    return NULL;
  part += strspn(part, " ");
  char *comma = strchr(part, ',');
  *rest = comma ? comma + 1 : NULL;
  if (comma)
    *comma = '\0';
  return part;
}

static rb_status read_socket(rb_console *console, const char *text, rb_socket *socket, rb_err *err)
{
  const char *name = NULL, *value = NULL;
  RB_TRY(rb_argument_pair("socket", text, console->arena, &name, &value, err));
  RB_TRY(rb_stock_text("A socket's name", name, socket->name, sizeof socket->name, err));
  char *rest = rb_arena_copy(console->arena, value);
  const char *role = next_part(&rest);
  const char *channel = next_part(&rest);
  const char *type = next_part(&rest);
  if (!role)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading --socket.");
  RB_TRY(read_role(role, &socket->role, err));
  socket->channel = RB_BOTH;
  if (channel && *channel && rb_channel_from_name(channel, &socket->channel) != RB_OK)
    return rb_fail(err, RB_BAD_ARG, "'%.40s' of --socket %s is no channel: left, right or both.",
                   channel, name);
  return rb_stock_text("A tube type", type, socket->type, sizeof socket->type, err);
}

static rb_status read_sockets(rb_console *console, const rb_arguments *arguments,
                              rb_amplifier *amplifier, rb_err *err)
{
  amplifier->n_sockets = rb_argument_count(arguments, "socket");
  if (amplifier->n_sockets > RB_MAX_SOCKETS)
    return rb_fail(err, RB_BAD_ARG,
                   "An amplifier has at most %d sockets here, but --socket was "
                   "given %zu times.",
                   RB_MAX_SOCKETS, amplifier->n_sockets);
  for (size_t i = 0; i < amplifier->n_sockets; i++) {
    RB_TRY(
        read_socket(console, rb_argument_nth(arguments, "socket", i), &amplifier->sockets[i], err));
    for (size_t j = 0; j < i; j++)
      if (strcmp(amplifier->sockets[i].name, amplifier->sockets[j].name) == 0)
        return rb_fail(err, RB_BAD_ARG, "--socket %s was given twice.", amplifier->sockets[i].name);
  }
  return RB_OK;
}

// ---- answers

static void answer_amplifier(rb_json *json, const char *name, const rb_amplifier *amplifier)
{
  rb_json_object(json, name);
  rb_json_text(json, "name", amplifier->name);
  rb_json_number(json, "rated_power_w", amplifier->rated_power_w);
  rb_json_text(json, "note", amplifier->note);
  rb_json_array(json, "sockets");
  for (size_t i = 0; i < amplifier->n_sockets; i++) {
    const rb_socket *socket = &amplifier->sockets[i];
    rb_json_object(json, NULL);
    rb_json_text(json, "name", socket->name);
    rb_json_text(json, "role", rb_role_name(socket->role));
    rb_json_text(json, "channel", rb_channel_name(socket->channel));
    rb_json_text(json, "type", socket->type);
    rb_json_end(json);
  }
  rb_json_end(json);
  rb_json_end(json);
}

static void list_sockets(rb_console *console, const rb_amplifier *amplifier)
{
  static const rb_listing_column columns[] = {
      {"socket", false}, {"role", false}, {"channel", false}, {"type", false}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < amplifier->n_sockets; i++) {
    const rb_socket *socket = &amplifier->sockets[i];
    rb_listing_row(listing, (const char *[]){socket->name, rb_role_name(socket->role),
                                             rb_channel_name(socket->channel), socket->type});
  }
  rb_listing_print(listing);
}

// ---- amp add

static rb_status add(rb_console *console, const rb_arguments *arguments, rb_book *book, rb_err *err)
{
  (void)arguments;
  rb_amplifier *amplifier = console->payload;
  RB_TRY(rb_book_add_amplifier(book, amplifier, err));
  answer_amplifier(console->answer, "amp", amplifier);
  rb_console_tell(console, "The amplifier '%s' is in the book, with %zu sockets.", amplifier->name,
                  amplifier->n_sockets);
  rb_console_say(console, "Next: `rollbook tube add` for each tube, then `rollbook lineup new`.");
  return RB_OK;
}

static rb_status run_add(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  rb_amplifier amplifier = {.rated_power_w = rb_argument_number(arguments, "power")};
  const char *note = rb_argument_text(arguments, "note");
  bool simulated = rb_argument_given(arguments, "simulated");
  if (simulated == rb_argument_given(arguments, "socket"))
    return rb_fail(
        err, RB_BAD_ARG,
        "rollbook amp add needs the sockets: either --socket for each one, or --simulated "
        "for those of the simulated amplifier.");
  if (simulated)
    amplifier = rb_amp_model();
  RB_TRY(rb_stock_name("The amplifier's name", rb_argument_word(arguments, 0), amplifier.name,
                       sizeof amplifier.name, err));
  RB_TRY(rb_stock_text("--note", note, amplifier.note, sizeof amplifier.note, err));
  if (!simulated)
    RB_TRY(read_sockets(console, arguments, &amplifier, err));
  console->payload = &amplifier;
  return rb_with_book(console, arguments, RB_BOOK_CREATE, add, err);
}

static const rb_option add_options[] = {
    {.name = "socket",
     .kind = RB_OPTION_TEXT,
     .value = "NAME=ROLE,CHANNEL,TYPE",
     .repeatable = true,
     .help = "A tube position: its name, what the tube does there (voltage amplifier, cathode "
             "follower, phase inverter, output push, output pull, supply filter, rectifier), left, "
             "right or both, and the tube type the maker named"},
    {.name = "simulated",
     .kind = RB_OPTION_FLAG,
     .help = "Sockets and power of the simulated amplifier, to practise on without hardware"},
    {.name = "power",
     .kind = RB_OPTION_NUMBER,
     .value = "W",
     .lowest = 0.1,
     .highest = 2000,
     .fallback = "25",
     .help = "Rated power of a channel"},
    {.name = "note", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "Anything worth keeping"},
};

static const rb_positional add_words[] = {{.name = "NAME", .help = "What you call it"}};

// ---- amp show, amp list

static rb_status show(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_amplifier amplifier;
  RB_TRY(rb_stock_amplifier(console, book, rb_argument_word(arguments, 0), &amplifier, err));
  answer_amplifier(console->answer, "amp", &amplifier);
  rb_console_tell(console, "%s: %g W a channel, %zu sockets.", amplifier.name,
                  amplifier.rated_power_w, amplifier.n_sockets);
  if (amplifier.note[0])
    rb_console_tell(console, "%s", amplifier.note);
  list_sockets(console, &amplifier);
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
      {"amplifier", false}, {"rated", true}, {"sockets", true}};
  rb_amplifier *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_amplifiers(book, console->arena, &all, &n, err));
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  rb_json_array(console->answer, "amps");
  for (size_t i = 0; i < n; i++) {
    answer_amplifier(console->answer, NULL, &all[i]);
    rb_listing_row(listing,
                   (const char *[]){all[i].name, rb_cell(console, "%g W", all[i].rated_power_w),
                                    rb_cell(console, "%zu", all[i].n_sockets)});
  }
  rb_json_end(console->answer);
  rb_console_tell(console, "%zu amplifier%s in the book.", n, n == 1 ? "" : "s");
  rb_listing_print(listing);
  return RB_OK;
}

static rb_status run_list(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, list, err);
}

static const rb_positional show_words[] = {{.name = "NAME", .help = "The amplifier"}};

static const rb_command subcommands[] = {
    {.name = "add",
     .summary = "Enter an amplifier and its sockets",
     .example = "rollbook amp add \"Red one\" --socket \"V1=phase "
                "inverter,left,6SN7\"",
     RB_OPTIONS(add_options),
     RB_POSITIONALS(add_words),
     .run = run_add},
    {.name = "show",
     .summary = "One amplifier and its sockets",
     RB_POSITIONALS(show_words),
     .run = run_show},
    {.name = "list", .summary = "All amplifiers", .run = run_list},
};

const rb_command rb_command_amp = {
    .name = "amp",
    .summary = "Amplifiers and their sockets",
    RB_SUBCOMMANDS(subcommands),
};
