// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/tube.h"
#include "rollbook/cli/stock.h"

#include <string.h>

static void answer_tube(rb_json *json, const char *name, const rb_tube *tube)
{
  rb_json_object(json, name);
  rb_json_text(json, "label", tube->label);
  rb_json_text(json, "type", tube->type);
  rb_json_text(json, "note", tube->note);
  if (tube->truth[0])
    rb_json_text(json, "simulated", tube->truth);
  rb_json_end(json);
}

// ---- tube add

static rb_status add(rb_console *console, const rb_arguments *arguments, rb_book *book, rb_err *err)
{
  (void)arguments;
  rb_tube *tube = console->payload;
  RB_TRY(rb_book_add_tube(book, tube, err));
  answer_tube(console->answer, "tube", tube);
  rb_console_tell(console, "The tube '%s' (%s) is in the book.", tube->label, tube->type);
  return RB_OK;
}

// What a tube is told to be must make sense for its type.
static rb_status check_truth(const rb_tube *tube, rb_err *err)
{
  const rb_tube_type *type = rb_tube_type_named(tube->type);
  if (!tube->truth[0])
    return RB_OK;
  if (!type)
    return rb_fail(err, RB_BAD_ARG,
                   "--simulated: the simulated amplifier knows no tube of type '%s'; it uses 6SL7, "
                   "6SN7 and EL34.",
                   tube->type);
  rb_tube_truth truth = rb_tube_bogey(type);
  if (rb_tube_truth_read(tube->truth, &truth, err) != RB_OK)
    return rb_fail_within(err, RB_BAD_ARG, "--simulated");
  return RB_OK;
}

static rb_status run_add(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  rb_tube tube = {0};
  const char *truth = rb_argument_text(arguments, "simulated");
  const char *note = rb_argument_text(arguments, "note");
  RB_TRY(rb_stock_name("The tube's label", rb_argument_word(arguments, 0), tube.label,
                       sizeof tube.label, err));
  RB_TRY(rb_stock_name("--type", rb_argument_text(arguments, "type"), tube.type, sizeof tube.type,
                       err));
  RB_TRY(rb_stock_text("--note", note, tube.note, sizeof tube.note, err));
  RB_TRY(rb_stock_text("--simulated", truth, tube.truth, sizeof tube.truth, err));
  RB_TRY(check_truth(&tube, err));
  console->payload = &tube;
  return rb_with_book(console, arguments, RB_BOOK_CREATE, add, err);
}

static const rb_option add_options[] = {
    {.name = "type",
     .kind = RB_OPTION_TEXT,
     .value = "TYPE",
     .required = true,
     .help = "Its type number, as EL34 or 6SN7"},
    {.name = "note", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "Anything worth keeping"},
    {.name = "simulated",
     .kind = RB_OPTION_TEXT,
     .value = "TRUTH",
     .help = "For the simulated amplifier alone: what the tube really is, as factors of the type's "
             "usual values (gm=0.92;mu=1.01). Without it the tube is drawn from its label within "
             "the spread of new tubes"},
};

static const rb_positional label_words[] = {
    {.name = "LABEL", .help = "What is written on the tube; no two tubes share it"}};

// ---- tube show, tube list

// The line-ups a tube stands in.
static rb_status tell_lineups(rb_console *console, rb_book *book, const rb_tube *tube, rb_err *err)
{
  rb_lineup *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_lineups(book, console->arena, &all, &n, err));
  rb_json_array(console->answer, "lineups");
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j < all[i].n_fittings; j++)
      if (all[i].fittings[j].tube.id == tube->id) {
        rb_json_object(console->answer, NULL);
        rb_json_text(console->answer, "name", all[i].name);
        rb_json_text(console->answer, "socket", all[i].fittings[j].socket);
        rb_json_end(console->answer);
        rb_console_tell(console, "In line-up '%s', socket %s.", all[i].name,
                        all[i].fittings[j].socket);
      }
  rb_json_end(console->answer);
  return RB_OK;
}

static rb_status show(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_tube tube;
  RB_TRY(rb_stock_tube(console, book, rb_argument_word(arguments, 0), &tube, err));
  answer_tube(console->answer, "tube", &tube);
  rb_console_tell(console, "%s: %s.", tube.label, tube.type);
  if (tube.note[0])
    rb_console_tell(console, "%s", tube.note);
  if (tube.truth[0])
    rb_console_tell(console, "On the simulated amplifier it is: %s.", tube.truth);
  return tell_lineups(console, book, &tube, err);
}

static rb_status run_show(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, show, err);
}

static rb_status list(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  static const rb_listing_column columns[] = {{"tube", false}, {"type", false}, {"note", false}};
  const char *type = rb_argument_text(arguments, "type");
  rb_tube *all = NULL;
  size_t n = 0, n_shown = 0;
  RB_TRY(rb_book_tubes(book, console->arena, &all, &n, err));
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  rb_json_array(console->answer, "tubes");
  for (size_t i = 0; i < n; i++) {
    if (type && strcmp(type, all[i].type) != 0)
      continue;
    n_shown++;
    answer_tube(console->answer, NULL, &all[i]);
    rb_listing_row(listing, (const char *[]){all[i].label, all[i].type, all[i].note});
  }
  rb_json_end(console->answer);
  rb_console_tell(console, "%zu tube%s%s%s in the book.", n_shown, n_shown == 1 ? "" : "s",
                  type ? " of type " : "", type ? type : "");
  rb_listing_print(listing);
  return RB_OK;
}

static rb_status run_list(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, list, err);
}

static const rb_option list_options[] = {
    {.name = "type", .kind = RB_OPTION_TEXT, .value = "TYPE", .help = "Only tubes of this type"},
};

static const rb_command subcommands[] = {
    {.name = "add",
     .summary = "Enter a tube into stock",
     .example = "rollbook tube add \"PI-07\" --type 6SN7 --note \"pulled, tests strong\"",
     RB_OPTIONS(add_options),
     RB_POSITIONALS(label_words),
     .run = run_add},
    {.name = "show",
     .summary = "One tube and where it was fitted",
     RB_POSITIONALS(label_words),
     .run = run_show},
    {.name = "list", .summary = "All tubes in stock", RB_OPTIONS(list_options), .run = run_list},
};

const rb_command rb_command_tube = {
    .name = "tube",
    .summary = "Tubes in stock",
    RB_SUBCOMMANDS(subcommands),
};
