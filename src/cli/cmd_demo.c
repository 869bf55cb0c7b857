// SPDX-License-Identifier: GPL-3.0-or-later
#include "output_file.h"
#include "reports.h"
#include "sitting.h"

#include "rollbook/amp/simulated.h"
#include "rollbook/base/text.h"
#include "rollbook/cli/stock.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

// ---- the scenario

static const char usual_folder[] = "rollbook-demo";
static const char marker_name[] = "demo.txt";
static const char marker_text[] =
    "Demo workshop: invented data. No amplifier, tube or person in this book is real.\n"
    "`rollbook demo` makes this folder anew each time it runs.\n";
static const char report_name[] = "demo-swap.html";
static const char lineup_a[] = "First inverter";
static const char lineup_b[] = "Second inverter";

/// What the workshop has in stock, and where it goes first. What each tube truly is, is known here
/// alone: the measurement has to find it.
static const struct {
  const char *label, *type, *socket, *truth;
} stock[] = {
    {"Driver D-1", "6SL7", "V1", "gm=1.01;mu=0.995"},
    {"Inverter I-1", "6SN7", "V2", "a.gm=1.00;b.gm=1.01"},
    {"Inverter I-2", "6SN7", "", "mu=0.88;a.mu=0.80;gm=0.85"},
    {"Output O-1", "EL34", "V3", "gm=1.02"},
    {"Output O-2", "EL34", "V4", "gm=0.99"},
    {"Driver D-2", "6SL7", "V5", "gm=0.99;mu=1.003"},
    {"Inverter I-3", "6SN7", "V6", "a.gm=1.01;b.gm=0.99"},
    {"Output O-3", "EL34", "V7", "gm=0.985"},
    {"Output O-4", "EL34", "V8", "gm=1.01"},
    {"Filter F-1", "EL34", "V9", "gm=1.00"},
};
static const char swapped_socket[] = "V2";
static const char first_tube[] = "Inverter I-1";
static const char swapped_tube[] = "Inverter I-2";

/// The sittings in their order: across and back, often enough to know the spread between sittings.
static const struct {
  const char *lineup;
  uint64_t seed;
} sittings[] = {{lineup_a, 101}, {lineup_b, 102}, {lineup_a, 103},
                {lineup_b, 104}, {lineup_a, 105}, {lineup_b, 106}};

enum { PASSES = 2, WARM_UP_MINUTES = 20, MOST_WARM_UP_MINUTES = 30 };

// ---- a fresh folder

static bool is_former_demo(rb_console *console, const char *folder)
{
  char line[sizeof marker_text] = "";
  FILE *file = fopen(rb_cell(console, "%s/%s", folder, marker_name), "re");
  if (!file)
    return false;
  size_t length = fread(line, 1, sizeof line - 1, file);
  fclose(file);
  return length == sizeof marker_text - 1 && strcmp(line, marker_text) == 0;
}

static bool is_empty(const char *folder)
{
  DIR *listing = opendir(folder);
  if (!listing)
    return false;
  size_t n = 0;
  while (n < 3 && readdir(listing))
    n++;
  closedir(listing);
  return n < 3; // "." and ".."
}

// Removes the plain files of a folder of ours; what somebody else put deeper stays.
static void remove_files(rb_console *console, const char *folder)
{
  DIR *listing = opendir(folder);
  if (!listing)
    return;
  for (struct dirent *entry = readdir(listing); entry; entry = readdir(listing)) {
    const char *path = rb_cell(console, "%s/%s", folder, entry->d_name);
    struct stat found;
    if (lstat(path, &found) == 0 && S_ISREG(found.st_mode))
      unlink(path);
  }
  closedir(listing);
}

static void remove_former_demo(rb_console *console, const char *folder)
{
  static const char *const ours[] = {"book.sqlite", "book.sqlite-wal", "book.sqlite-shm",
                                     report_name};
  const char *captures = rb_cell(console, "%s/captures", folder);
  remove_files(console, captures);
  for (size_t i = 0; i < RB_LEN(ours); i++)
    unlink(rb_cell(console, "%s/%s", folder, ours[i]));
}

static rb_status make_place(rb_console *console, const char *folder, rb_err *err)
{
  struct stat there;
  bool exists = stat(folder, &there) == 0;
  if (exists && !is_former_demo(console, folder) && !is_empty(folder))
    return rb_fail(err, RB_BAD_ARG,
                   "'%.200s' is there already and is no former demo; it is left as it is. Choose "
                   "another place: rollbook demo --book DIR",
                   folder);
  if (exists)
    remove_former_demo(console, folder);
  else
    RB_TRY(rb_make_folders(console, folder, err));
  return rb_write_file(rb_cell(console, "%s/%s", folder, marker_name), marker_text,
                       strlen(marker_text), err);
}

// ---- the workshop

static rb_status fill_stock(rb_book *book, rb_lineup *first, rb_err *err)
{
  for (size_t i = 0; i < RB_LEN(stock); i++) {
    rb_tube tube = {.note = "invented"};
    rb_text_copy(tube.label, sizeof tube.label, stock[i].label);
    rb_text_copy(tube.type, sizeof tube.type, stock[i].type);
    rb_text_copy(tube.truth, sizeof tube.truth, stock[i].truth);
    RB_TRY(rb_book_add_tube(book, &tube, err));
    if (!stock[i].socket[0])
      continue;
    rb_fitting *fitting = &first->fittings[first->n_fittings++];
    rb_text_copy(fitting->socket, sizeof fitting->socket, stock[i].socket);
    fitting->tube = tube;
  }
  return RB_OK;
}

static rb_status open_shop(rb_console *console, rb_book *book, rb_err *err)
{
  rb_lineup lineup = {.amplifier = rb_amp_model()};
  rb_text_copy(lineup.amplifier.name, sizeof lineup.amplifier.name, "Demo amplifier");
  RB_TRY(rb_book_add_amplifier(book, &lineup.amplifier, err));
  RB_TRY(fill_stock(book, &lineup, err));
  rb_text_copy(lineup.name, sizeof lineup.name, lineup_a);
  rb_text_copy(lineup.note, sizeof lineup.note, "Demo workshop: invented data");
  RB_TRY(rb_book_add_lineup(book, &lineup, err));
  rb_json_array(console->answer, "lineups");
  rb_json_text(console->answer, NULL, lineup_a);
  rb_json_text(console->answer, NULL, lineup_b);
  rb_json_end(console->answer);
  rb_text_copy(lineup.name, sizeof lineup.name, lineup_b);
  for (size_t i = 0; i < lineup.n_fittings; i++)
    if (strcmp(lineup.fittings[i].socket, swapped_socket) == 0)
      RB_TRY(rb_book_tube(book, swapped_tube, &lineup.fittings[i].tube, err));
  return rb_book_add_lineup(book, &lineup, err);
}

static rb_status calibrate(rb_console *console, rb_book *book, rb_err *err)
{
  rb_bench bench;
  rb_calibration found = {0};
  rb_watch watch = {.console = console};
  rb_calibrate how = {.cancel = console->cancel, .watcher = rb_watch_events(&watch)};
  RB_TRY(rb_book_bench(book, &bench, err));
  rb_status status = rb_runner_calibrate(&how, &bench, &found, err);
  rb_watch_end(&watch);
  RB_TRY(status);
  return rb_book_set_bench(book, &bench, err);
}

static rb_status measure(rb_console *console, rb_book *book, const rb_plan *plan, size_t index,
                         rb_err *err)
{
  rb_lineup lineup;
  rb_sitting sitting = {.id = 0};
  rb_watch watch = {.console = console};
  RB_TRY(rb_book_lineup(book, sittings[index].lineup, &lineup, err));
  rb_console_say(console, "Sitting %zu of %zu: '%s', off and cold before the tubes were changed.",
                 index + 1, RB_LEN(sittings), lineup.name);
  rb_run run = {
      .book = book,
      .lineup = &lineup,
      .plan = plan,
      .n_passes = PASSES,
      .least_warm_up_s = WARM_UP_MINUTES * 60,
      .most_warm_up_s = MOST_WARM_UP_MINUTES * 60,
      .sitting_seed = sittings[index].seed,
      .room_degc = NAN,
      .note = "Demo workshop: invented data",
      .cancel = console->cancel,
      .watcher = rb_watch_events(&watch),
      .clock = rb_clock_system(),
  };
  rb_status status = rb_runner_measure(&run, &sitting, err);
  rb_watch_end(&watch);
  return status;
}

// ---- what was heard
// -------------------------------------------------------------------------------

/// Said before the numbers were looked at, of the second line-up against the first.
static const struct {
  const char *attribute;
  int score;
} impressions[] = {{"noise", +1}, {"bass_level", +2}, {"midrange_clarity", -1}};

static rb_status write_down(rb_book *book, rb_err *err)
{
  rb_lineup a, b;
  RB_TRY(rb_book_lineup(book, lineup_a, &a, err));
  RB_TRY(rb_book_lineup(book, lineup_b, &b, err));
  for (size_t i = 0; i < RB_LEN(impressions); i++) {
    rb_impression heard = {
        .lineup_id = b.id, .against_id = a.id, .score = impressions[i].score, .blind = true};
    rb_text_copy(heard.attribute, sizeof heard.attribute, impressions[i].attribute);
    rb_text_copy(heard.programme, sizeof heard.programme, "invented trio");
    rb_text_copy(heard.note, sizeof heard.note, "Demo workshop: invented data");
    RB_TRY(rb_book_add_impression(book, &heard, err));
  }
  RB_TRY(rb_book_mark_shown(book, a.id, err));
  return rb_book_mark_shown(book, b.id, err);
}

// ---- what came of it

static rb_status tell_outcome(rb_console *console, rb_book *book, const char *path, rb_err *err)
{
  rb_report report = {.kind = RB_REPORT_SWAP, .name = lineup_a, .against = lineup_b};
  RB_TRY(rb_write_page(console, book, &report, rb_report_html, path, err));
  rb_json_text(console->answer, "report", path);
  rb_console_tell(console, "In socket %s, '%s' took the place of '%s'. In short:\n", swapped_socket,
                  swapped_tube, first_tube);
  return rb_tell_in_short(console, book, &report, err);
}

static void tell_next(rb_console *console, const char *folder, const char *report)
{
  rb_console_tell(console, "\nThe report, to be opened in a browser:\n  %s", report);
  if (console->json || console->quiet)
    return;
  const char *quoted = strpbrk(folder, " '\"$\\") ? rb_cell(console, "'%s'", folder) : folder;
  fprintf(console->out,
          "\nThe book is kept in %s. To look further:\n"
          "  rollbook --book %s lineup list\n"
          "  rollbook --book %s compare '%s' '%s'\n"
          "  rollbook --book %s measure '%s' --plan quick --yes\n",
          folder, quoted, quoted, lineup_a, lineup_b, quoted, lineup_b);
}

static rb_status run_demo(rb_console *console, const rb_arguments *arguments, rb_book *book,
                          rb_err *err)
{
  (void)arguments;
  rb_plan plan;
  const char *folder = console->book_folder;
  const char *report = rb_cell(console, "%s/%s", folder, report_name);
  RB_TRY(rb_choose_plan("demo", 0, &plan, err));
  rb_console_say(console, "Demo workshop: invented data, a simulated amplifier, no sound. One "
                          "inverter tube is exchanged for another, and back.");
  RB_TRY(open_shop(console, book, err));
  RB_TRY(calibrate(console, book, err));
  for (size_t i = 0; i < RB_LEN(sittings); i++)
    RB_TRY(measure(console, book, &plan, i, err));
  RB_TRY(write_down(book, err));
  rb_json_text(console->answer, "book", folder);
  RB_TRY(tell_outcome(console, book, report, err));
  tell_next(console, folder, report);
  return RB_OK;
}

static rb_status run(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  if (!console->book_named)
    console->book_folder = usual_folder;
  console->book_chosen = true;
  RB_TRY(make_place(console, console->book_folder, err));
  return rb_with_book(console, arguments, RB_BOOK_CREATE, run_demo, err);
}

const rb_command rb_command_demo = {
    .name = "demo",
    .summary = "The whole job on the simulated amplifier, into a fresh book",
    .description = "Makes a book of invented data in ./rollbook-demo, or where --book says: an "
                   "amplifier, its tubes and two line-ups that differ in one inverter tube. "
                   "Measures the first, the second and the first again, and writes the report. A "
                   "former demo in that folder is made anew; any other folder with something in it "
                   "is left alone.",
    .example = "rollbook demo",
    .run = run,
};
