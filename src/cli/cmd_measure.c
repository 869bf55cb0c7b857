// SPDX-License-Identifier: GPL-3.0-or-later
#include "heard.h"
#include "readings.h"
#include "sitting.h"

#include "rollbook/cli/stock.h"
#include "rollbook/cli/swap_guide.h"

#include <math.h>
#include <string.h>

/// What is kept of the passes while they come in.
typedef struct passes {
  rb_console *console;
  size_t n;
  rb_results last; ///< Readings of the newest, copied.
  bool settled;    ///< All of them.
  bool keep_back;  ///< Numbers are shown to nobody yet.
} passes;

static void note_pass(void *payload, const rb_event *event)
{
  passes *seen = payload;
  rb_json *answer = seen->console->answer;
  rb_json_object(answer, NULL);
  rb_json_integer(answer, "id", event->pass->id);
  rb_json_bool(answer, "settled", event->pass->settled);
  if (!seen->keep_back)
    rb_json_results(answer, event->results);
  rb_json_end(answer);
  seen->settled = (seen->n == 0 || seen->settled) && event->pass->settled;
  seen->n++;
  seen->last = rb_results_in(seen->console->arena);
  for (size_t i = 0; i < event->results->n_readings; i++)
    if (rb_results_add(&seen->last, &event->results->readings[i]) != RB_OK)
      return; // the listing is short of a line; the book is not
}

static rb_run run_from(const rb_console *console, const rb_arguments *arguments)
{
  const rb_clock *clock = rb_clock_system();
  double on_for_s = 60 * rb_argument_number(arguments, "on-for");
  double now_s = clock->utc_s(clock->payload);
  return (rb_run){
      .n_passes = (unsigned)rb_argument_number(arguments, "passes"),
      .least_warm_up_s = 60 * rb_argument_number(arguments, "warm-up"),
      .most_warm_up_s = 60 * rb_argument_number(arguments, "most-warm-up"),
      .pause_s = rb_argument_number(arguments, "pause"),
      .sitting_seed = rb_argument_given(arguments, "seed")
                          ? (uint64_t)rb_argument_number(arguments, "seed")
                          : (uint64_t)(now_s * 1000), // another reseating each time
      .mains_vrms = rb_argument_number(arguments, "mains"),
      .powered_on_utc_s = rb_argument_given(arguments, "on-for") ? now_s - on_for_s : 0,
      .room_degc = rb_argument_given(arguments, "room") ? rb_argument_number(arguments, "room")
                                                        : (double)NAN,
      .note = rb_argument_text(arguments, "note"),
      .cancel = console->cancel,
      .clock = clock,
  };
}

static void tell_outcome(rb_console *console, const rb_lineup *lineup, const rb_sitting *sitting,
                         const passes *seen, rb_status status)
{
  rb_json_text(console->answer, "lineup", lineup->name);
  rb_json_integer(console->answer, "sitting", sitting->id);
  console->keep_answer = seen->n > 0;
  if (!seen->n)
    return;
  if (status != RB_OK)
    rb_console_tell(console, "%zu finished pass%s of '%s' %s in the book (sitting %lld).", seen->n,
                    seen->n == 1 ? "" : "es", lineup->name, seen->n == 1 ? "is" : "are",
                    (long long)sitting->id);
  else
    rb_console_tell(console, "'%s' is measured: %zu pass%s in the book (sitting %lld).",
                    lineup->name, seen->n, seen->n == 1 ? "" : "es", (long long)sitting->id);
  if (!seen->settled)
    rb_console_tell(console, "Not settled: the gain was still moving, or the amplifier was not on "
                             "for as long as --warm-up says. The readings are marked so.");
}

// Known before the list is agreed to and the amplifier is warm.
static rb_status check_calibrated(rb_book *book, rb_err *err)
{
  rb_bench bench;
  RB_TRY(rb_book_bench(book, &bench, err));
  if (bench.calibrated)
    return RB_OK;
  rb_guard *guard = NULL; // a device that is not there is the nearer trouble
  RB_TRY(rb_device_status(rb_guard_open(&bench, NULL, 0, &guard, err), err));
  rb_guard_close(guard);
  return rb_fail(
      err, RB_NOT_CALIBRATED,
      "The bench is not calibrated, so no power can be set. `rollbook bench calibrate` "
      "ties the card's input to volts at the load; on the simulated amplifier it needs no "
      "meter.");
}

// ---- a sitting
// -----------------------------------------------------------------------------------

typedef struct sitting_work {
  rb_book *book;
  rb_plan plan;
  bool keep_numbers_back; ///< Until something was heard.
} sitting_work;

static rb_status measure_one(rb_console *console, const sitting_work *work, rb_run run,
                             const rb_lineup *lineup, rb_err *err)
{
  rb_sitting sitting = {.id = 0};
  passes seen = {.console = console, .keep_back = work->keep_numbers_back};
  rb_watch watch = {.console = console, .on_pass = note_pass, .payload = &seen};
  run.book = work->book;
  run.lineup = lineup;
  run.plan = &work->plan;
  run.watcher = rb_watch_events(&watch);
  rb_json_array(console->answer, "passes");
  rb_status status = rb_device_status(rb_runner_measure(&run, &sitting, err), err);
  rb_watch_end(&watch);
  rb_json_end(console->answer);
  tell_outcome(console, lineup, &sitting, &seen, status);
  if (!seen.n || work->keep_numbers_back)
    return status;
  rb_list_readings(console, &seen.last, true);
  rb_note_shown(console, &lineup->id, 1);
  return status;
}

static rb_status measure_single(rb_console *console, const rb_arguments *arguments,
                                const sitting_work *work, rb_err *err)
{
  rb_lineup lineup;
  if (rb_argument_n_words(arguments) > 1)
    return rb_fail(err, RB_BAD_ARG,
                   "One sitting has one line-up. `rollbook measure \"%s\" \"%s\" --like A,B,A` "
                   "measures the first, the second, and the first again.",
                   rb_argument_word(arguments, 0), rb_argument_word(arguments, 1));
  RB_TRY(rb_stock_lineup(console, work->book, rb_argument_word(arguments, 0), &lineup, err));
  RB_TRY(check_calibrated(work->book, err));
  RB_TRY(rb_agree_to_safety(console, rb_argument_given(arguments, "yes"), err));
  RB_TRY(measure_one(console, work, run_from(console, arguments), &lineup, err));
  rb_console_say(console, "\nNext: `rollbook lineup swap`, tubes changed cold, `rollbook measure` "
                          "again, and `rollbook compare`.");
  return RB_OK;
}

// ---- a whole swap
// --------------------------------------------------------------------------------

static bool is_simulated(rb_book *book)
{
  rb_bench bench;
  rb_err ignored;
  return rb_book_bench(book, &bench, &ignored) == RB_OK && strncmp(bench.rig, "sim:", 4) == 0;
}

static rb_status measure_step(rb_console *console, const rb_arguments *arguments,
                              const sitting_work *work, const rb_swap_guide *guide, size_t step,
                              rb_err *err)
{
  double cool_down_s = 60 * rb_argument_number(arguments, "cool-down");
  rb_console quiet_list = *console;
  quiet_list.quiet = console->quiet || step > 0; // shown once a session, agreed to each time
  RB_TRY(rb_agree_to_safety(&quiet_list, rb_argument_given(arguments, "yes"), err));
  RB_TRY(rb_swap_guide_get_ready(console, guide, step, is_simulated(work->book), cool_down_s, err));
  rb_run run = run_from(console, arguments);
  run.sitting_seed += step;
  if (step > 0)
    run.powered_on_utc_s = 0;
  rb_json_object(console->answer, NULL);
  rb_json_text(console->answer, "letter", (const char[]){guide->letters[step], '\0'});
  rb_status status = measure_one(console, work, run, rb_swap_guide_lineup(guide, step), err);
  rb_json_end(console->answer);
  return status;
}

static void tell_stopped(rb_console *console, const rb_swap_guide *guide, size_t step)
{
  console->keep_answer = step > 0;
  rb_console_say(console,
                 "Stopped in sitting %zu of %zu. To go on from there, the same words and "
                 "--from %zu.",
                 step + 1, guide->n, step + 1);
}

static rb_status measure_like(rb_console *console, const rb_arguments *arguments,
                              const sitting_work *work, rb_err *err)
{
  rb_swap_guide *guide = rb_arena_alloc(console->arena, 1, sizeof *guide);
  if (!guide)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a session.");
  RB_TRY(rb_swap_guide_read(console, rb_argument_text(arguments, "like"), arguments, work->book,
                            guide, err));
  size_t first = (size_t)rb_argument_number(arguments, "from") - 1;
  if (first >= guide->n)
    return rb_fail(err, RB_BAD_ARG, "--from %zu: there are only %zu sittings.", first + 1,
                   guide->n);
  RB_TRY(check_calibrated(work->book, err));
  rb_json_text(console->answer, "like", guide->letters);
  rb_json_array(console->answer, "sittings");
  for (size_t step = first; step < guide->n; step++) {
    rb_status status = measure_step(console, arguments, work, guide, step, err);
    if (status != RB_OK) {
      tell_stopped(console, guide, step);
      rb_json_end(console->answer);
      return status;
    }
  }
  rb_json_end(console->answer);
  const char *a = guide->lineups[0].name;
  const char *b = guide->lineups[guide->n_lineups > 1 ? 1 : 0].name;
  rb_console_say(console,
                 "\nThe numbers are kept back. First write down what was heard: `rollbook heard "
                 "\"%s\" --against \"%s\"`; then `rollbook compare \"%s\" \"%s\"`.",
                 b, a, a, b);
  return RB_OK;
}

static rb_status measure(rb_console *console, const rb_arguments *arguments, rb_book *book,
                         rb_err *err)
{
  bool whole_swap = rb_argument_given(arguments, "like");
  sitting_work work = {
      .book = book, .keep_numbers_back = whole_swap || rb_argument_given(arguments, "keep-back")};
  double power_w =
      rb_argument_given(arguments, "power") ? rb_argument_number(arguments, "power") : 0;
  RB_TRY(rb_choose_plan(rb_argument_text(arguments, "plan"), power_w, &work.plan, err));
  return whole_swap ? measure_like(console, arguments, &work, err)
                    : measure_single(console, arguments, &work, err);
}

static rb_status run_measure(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, measure, err);
}

static const rb_option options[] = {
    {.name = "plan",
     .kind = RB_OPTION_TEXT,
     .value = "NAME",
     .fallback = "standard",
     .help = "What is played: a plan as `rollbook signal list` names it"},
    {.name = "passes",
     .kind = RB_OPTION_WHOLE,
     .value = "N",
     .lowest = 1,
     .highest = 1000,
     .fallback = "3",
     .help = "How often the plan is run; the spread of passes is part of every comparison"},
    {.name = "power",
     .kind = RB_OPTION_NUMBER,
     .value = "W",
     .lowest = 0.001,
     .highest = 1000,
     .help = "Power at the load in place of the plan's own (1 W); all steps are scaled with it"},
    {.name = "like",
     .kind = RB_OPTION_TEXT,
     .value = "A,B,A",
     .help = "A whole swap, one sitting a letter: A is the first line-up named, B the second. Says "
             "what to exchange and waits; numbers are kept back until `rollbook compare`"},
    {.name = "keep-back",
     .kind = RB_OPTION_FLAG,
     .help = "Show no numbers, so that what is heard can be written down before them; --like does "
             "so by itself"},
    {.name = "from",
     .kind = RB_OPTION_WHOLE,
     .value = "N",
     .lowest = 1,
     .highest = RB_SWAP_MOST_STEPS,
     .fallback = "1",
     .help = "With --like: begin at this sitting, after a stop"},
    {.name = "cool-down",
     .kind = RB_OPTION_NUMBER,
     .value = "MINUTES",
     .lowest = 0,
     .highest = 240,
     .fallback = "15",
     .help = "With --like: how long the amplifier is left to cool before tubes are exchanged"},
    {.name = "yes", .kind = RB_OPTION_FLAG, .help = "The safety list holds; do not ask"},
    {.name = "warm-up",
     .kind = RB_OPTION_NUMBER,
     .value = "MINUTES",
     .lowest = 0,
     .highest = 240,
     .fallback = "20",
     .help = "The amplifier is on for at least this long before the first pass"},
    {.name = "most-warm-up",
     .kind = RB_OPTION_NUMBER,
     .value = "MINUTES",
     .lowest = 0,
     .highest = 240,
     .fallback = "40",
     .help = "If the gain still moves by then, it is measured all the same and marked as not "
             "settled; not above --warm-up: no probing"},
    {.name = "on-for",
     .kind = RB_OPTION_NUMBER,
     .value = "MINUTES",
     .lowest = 0,
     .highest = 10000,
     .fallback = "0",
     .help = "How long the amplifier has been on already"},
    {.name = "pause",
     .kind = RB_OPTION_NUMBER,
     .value = "SECONDS",
     .lowest = 0,
     .highest = 3600,
     .fallback = "0",
     .help = "Silence between passes"},
    {.name = "seed",
     .kind = RB_OPTION_WHOLE,
     .value = "N",
     .lowest = 0,
     .highest = 9007199254740992,
     .help = "Simulated amplifier: which reseating this is; else another one each time"},
    {.name = "mains",
     .kind = RB_OPTION_NUMBER,
     .value = "V",
     .lowest = 0,
     .highest = 500,
     .fallback = "0",
     .help = "Mains voltage as read on a meter; 0 is not known"},
    {.name = "room",
     .kind = RB_OPTION_NUMBER,
     .value = "DEGC",
     .lowest = -40,
     .highest = 80,
     .help = "Room temperature"},
    {.name = "note", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "Kept with the sitting"},
};

static const rb_positional positionals[] = {
    {.name = "LINEUP",
     .help = "The line-up that is in the sockets; with --like all of them, A first",
     .repeatable = true}};

const rb_command rb_command_measure = {
    .name = "measure",
    .summary = "A sitting: warm up, find the level, run the plan, keep the readings",
    .description =
        "Shows the safety list and asks once. Then the amplifier warms up, the drive is found from "
        "at least 40 dB below the power asked, and the plan is run as often as --passes says. "
        "Nothing goes over the ceiling of the bench. Ctrl-C fades to silence and keeps finished "
        "passes; a second Ctrl-C ends at once.\nTubes are changed only between sittings, with the "
        "amplifier off, unplugged and cold.",
    .example = "rollbook measure \"As delivered\" \"Other inverter\" --like A,B,A",
    RB_OPTIONS(options),
    RB_POSITIONALS(positionals),
    .run = run_measure,
};
