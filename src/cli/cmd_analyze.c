// SPDX-License-Identifier: GPL-3.0-or-later
#include "readings.h"

#include "rollbook/cli/stock.h"
#include "rollbook/report/words.h"
#include "rollbook/runner/runner.h"

#include <string.h>

/// What is analysed and how.
typedef struct analysis {
  const char *path;
  bool by_signal;
  rb_signal signal;
  double tone_hz;
  rb_bench bench;
  bool in_volts;
} analysis;

static rb_status read_bench(rb_console *console, const rb_arguments *arguments, rb_book *book,
                            rb_err *err)
{
  (void)arguments;
  rb_bench *bench = rb_arena_alloc(console->arena, 1, sizeof *bench);
  if (!bench)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading the bench.");
  RB_TRY(rb_book_bench(book, bench, err));
  if (!bench->calibrated)
    return rb_fail(err, RB_NOT_CALIBRATED,
                   "The bench of '%.200s' is not calibrated, so --volts has "
                   "nothing to go by. `rollbook bench calibrate` changes "
                   "that.",
                   console->book_folder);
  console->payload = bench;
  return RB_OK;
}

static rb_status read_request(rb_console *console, const rb_arguments *arguments, analysis *wanted,
                              rb_err *err)
{
  wanted->path = rb_argument_word(arguments, 0);
  wanted->by_signal = rb_argument_given(arguments, "signal");
  wanted->in_volts = rb_argument_given(arguments, "volts");
  if (wanted->by_signal == rb_argument_given(arguments, "tone"))
    return rb_fail(err, RB_BAD_ARG,
                   "rollbook analyze needs to know what was played: either --signal NAME or --tone "
                   "HZ for a plain sine.");
  if (wanted->by_signal)
    RB_TRY(rb_signal_find(rb_argument_text(arguments, "signal"), &wanted->signal, err));
  else
    wanted->tone_hz = rb_argument_number(arguments, "tone");
  if (wanted->in_volts) {
    RB_TRY(rb_with_book(console, arguments, RB_BOOK_READ, read_bench, err));
    wanted->bench = *(const rb_bench *)console->payload;
  }
  return RB_OK;
}

// Only the readings and curves of one channel.
static void keep_channel(rb_results *results, rb_channel channel)
{
  size_t n = 0;
  for (size_t i = 0; i < results->n_readings; i++)
    if (results->readings[i].channel == channel)
      results->readings[n++] = results->readings[i];
  results->n_readings = n;
  n = 0;
  for (size_t i = 0; i < results->n_curves; i++)
    if (results->curves[i].channel == channel)
      results->curves[n++] = results->curves[i];
  results->n_curves = n;
}

static void tell_in_short(rb_console *console, const rb_results *results)
{
  for (unsigned channel = RB_LEFT; channel <= RB_RIGHT; channel++) {
    const rb_reading *frequency = rb_results_find(results, "freq", (rb_channel)channel, "");
    const rb_reading *level = rb_results_find(results, "level", (rb_channel)channel, "");
    const rb_reading *thd = rb_results_find(results, "thd", (rb_channel)channel, "");
    if (frequency && level && thd)
      rb_console_tell(console, "%s: %s at %s, total harmonic distortion %s.",
                      channel == RB_LEFT ? "Left" : "Right", rb_figure_reading(frequency).text,
                      rb_figure_reading(level).text, rb_figure_reading(thd).text);
  }
}

static void answer_file(rb_console *console, const analysis *wanted, const rb_capture *capture)
{
  rb_json_text(console->answer, "file", wanted->path);
  if (capture->frames) {
    rb_json_number(console->answer, "rate_hz", capture->rate_hz);
    rb_json_integer(console->answer, "channels", capture->n_channels);
  }
  rb_json_health(console->answer, "health", &capture->health);
  console->keep_answer = true;
}

static rb_status run(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  analysis wanted = {.path = NULL};
  RB_TRY(read_request(console, arguments, &wanted, err));
  rb_capture capture = {.frames = NULL};
  rb_results results = rb_results_in(console->arena);
  rb_status status = rb_runner_analyse_file(wanted.path, wanted.by_signal ? &wanted.signal : NULL,
                                            wanted.tone_hz, wanted.in_volts ? &wanted.bench : NULL,
                                            console->arena, &capture, &results, err);
  // A file that could not be read is not usable either.
  answer_file(console, &wanted, &capture);
  RB_TRY(status);
  rb_channel channel = RB_BOTH;
  if (rb_argument_given(arguments, "channel")) {
    RB_TRY(rb_channel_from_name(rb_argument_text(arguments, "channel"), &channel));
    if (channel == RB_RIGHT && capture.n_channels < 2)
      return rb_fail(err, RB_BAD_ARG, "'%.200s' has one channel only, which counts as left.",
                     wanted.path);
    keep_channel(&results, channel);
  }
  rb_json_results(console->answer, &results);
  tell_in_short(console, &results);
  rb_list_readings(console, &results, false);
  return RB_OK;
}

static const char *const channels[] = {"left", "right", NULL};

static const rb_option options[] = {
    {.name = "signal",
     .kind = RB_OPTION_TEXT,
     .value = "NAME",
     .help = "What was played: a signal as `rollbook signal list` names it"},
    {.name = "tone",
     .kind = RB_OPTION_NUMBER,
     .value = "HZ",
     .lowest = 1,
     .highest = 400000,
     .help = "What was played: a plain sine of about this frequency"},
    {.name = "channel",
     .kind = RB_OPTION_CHOICE,
     .value = "CHANNEL",
     .choices = channels,
     .help = "Only this channel"},
    {.name = "volts",
     .kind = RB_OPTION_FLAG,
     .help = "Levels in volts at the load, by the calibration of the book's bench; else dBFS"},
};

static const rb_positional positionals[] = {
    {.name = "FILE", .help = "A recording: WAV, FLAC or AIFF, one or two channels"}};

const rb_command rb_command_analyze = {
    .name = "analyze",
    .summary = "The same analysis on any recording",
    .description = "Levels are in dBFS as AES17 defines it: a sine whose peaks reach full scale "
                   "reads 0 dBFS. A recording with clipped or missing frames yields no readings; "
                   "the exit code is 2 and the answer says what was found.",
    .example = "rollbook analyze take-3.wav --signal tone-1k",
    RB_OPTIONS(options),
    RB_POSITIONALS(positionals),
    .run = run,
};
