// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/stock.h"

// ---- book check

static rb_status check(rb_console *console, const rb_arguments *arguments, rb_book *book,
                       rb_err *err)
{
  (void)arguments;
  rb_book_finding *findings = NULL;
  size_t n = 0, n_damaged = 0;
  RB_TRY(rb_book_check(book, console->arena, &findings, &n, err));
  rb_json_array(console->answer, "findings");
  for (size_t i = 0; i < n; i++) {
    n_damaged += findings[i].damage;
    rb_json_object(console->answer, NULL);
    rb_json_bool(console->answer, "damage", findings[i].damage);
    rb_json_text(console->answer, "words", findings[i].words);
    rb_json_end(console->answer);
  }
  rb_json_end(console->answer);
  rb_json_bool(console->answer, "sound", n_damaged == 0);
  if (n_damaged)
    rb_console_tell(console, "The book at '%s' is damaged: %zu finding%s.", console->book_folder,
                    n_damaged, n_damaged == 1 ? "" : "s");
  else
    rb_console_tell(console, "The book at '%s' is sound.", console->book_folder);
  for (size_t i = 0; i < n; i++)
    rb_console_tell(console, "%s: %s", findings[i].damage ? "damage" : "note", findings[i].words);
  console->answer_is_no = n_damaged > 0;
  return RB_OK;
}

static rb_status run_check(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, check, err);
}

// ---- book show

typedef struct book_counts {
  size_t n_amplifiers, n_tubes, n_lineups, n_passes;
} book_counts;

static rb_status list_passes(rb_console *console, rb_book *book, const rb_lineup *lineup,
                             rb_listing *listing, book_counts *counts, rb_err *err)
{
  rb_pass *passes = NULL;
  size_t n = 0;
  RB_TRY(rb_book_passes(book, lineup->id, 0, console->arena, &passes, &n, err));
  for (size_t i = 0; i < n; i++) {
    const rb_pass *pass = &passes[i];
    counts->n_passes++;
    rb_json_object(console->answer, NULL);
    rb_json_integer(console->answer, "id", pass->id);
    rb_json_integer(console->answer, "sitting", pass->sitting_id);
    rb_json_text(console->answer, "lineup", lineup->name);
    rb_json_text(console->answer, "plan", pass->plan);
    rb_json_text(console->answer, "started_at", pass->started_at);
    rb_json_bool(console->answer, "settled", pass->settled);
    rb_json_end(console->answer);
    rb_listing_row(listing, (const char *[]){rb_cell(console, "%lld", (long long)pass->id),
                                             rb_cell(console, "%lld", (long long)pass->sitting_id),
                                             lineup->name, pass->plan, pass->started_at,
                                             pass->settled ? "yes" : "no"});
  }
  return RB_OK;
}

static rb_status show(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  (void)arguments;
  static const rb_listing_column columns[] = {{"pass", true},        {"sitting", true},
                                              {"line-up", false},    {"plan", false},
                                              {"when (UTC)", false}, {"settled", false}};
  book_counts counts = {0};
  rb_amplifier *amplifiers = NULL;
  rb_tube *tubes = NULL;
  rb_lineup *lineups = NULL;
  RB_TRY(rb_book_amplifiers(book, console->arena, &amplifiers, &counts.n_amplifiers, err));
  RB_TRY(rb_book_tubes(book, console->arena, &tubes, &counts.n_tubes, err));
  RB_TRY(rb_book_lineups(book, console->arena, &lineups, &counts.n_lineups, err));
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  rb_json_text(console->answer, "folder", console->book_folder);
  rb_json_array(console->answer, "passes");
  for (size_t i = 0; i < counts.n_lineups; i++)
    RB_TRY(list_passes(console, book, &lineups[i], listing, &counts, err));
  rb_json_end(console->answer);
  rb_json_integer(console->answer, "amps", (int64_t)counts.n_amplifiers);
  rb_json_integer(console->answer, "tubes", (int64_t)counts.n_tubes);
  rb_json_integer(console->answer, "lineups", (int64_t)counts.n_lineups);
  rb_console_tell(console,
                  "The book at '%s': %zu amplifier%s, %zu tube%s, %zu line-up%s, %zu "
                  "pass%s.",
                  console->book_folder, counts.n_amplifiers, counts.n_amplifiers == 1 ? "" : "s",
                  counts.n_tubes, counts.n_tubes == 1 ? "" : "s", counts.n_lineups,
                  counts.n_lineups == 1 ? "" : "s", counts.n_passes,
                  counts.n_passes == 1 ? "" : "es");
  rb_listing_print(listing);
  return RB_OK;
}

static rb_status run_show(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, show, err);
}

static const rb_command subcommands[] = {
    {.name = "check",
     .summary = "Look for damage: structure, every capture against its checksum, leftovers",
     .run = run_check},
    {.name = "show", .summary = "What the book holds", .run = run_show},
};

const rb_command rb_command_book = {
    .name = "book",
    .summary = "The book itself: what is in it, and whether it is sound",
    RB_SUBCOMMANDS(subcommands),
};
