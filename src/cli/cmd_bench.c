// SPDX-License-Identifier: GPL-3.0-or-later
#include "readings.h"
#include "sitting.h"

#include "rollbook/base/text.h"
#include "rollbook/cli/stock.h"
#include "rollbook/report/words.h"

#include <string.h>

// ---- bench devices

typedef struct device_list {
  rb_console *console;
  rb_listing *listing;
  size_t n;
} device_list;

static void note_device(void *payload, const char *uri, const char *description)
{
  device_list *list = payload;
  rb_console *console = list->console;
  list->n++;
  rb_json_object(console->answer, NULL);
  rb_json_text(console->answer, "uri", uri);
  rb_json_text(console->answer, "description", description);
  rb_json_end(console->answer);
  rb_listing_row(list->listing, (const char *[]){rb_cell(console, "%s", uri),
                                                 rb_cell(console, "%s", description)});
}

static rb_status run_devices(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  (void)arguments;
  static const rb_listing_column columns[] = {{"--rig", false}, {"what it is", false}};
  device_list list = {.console = console,
                      .listing = rb_listing_new(console, columns, RB_LEN(columns))};
  rb_json_array(console->answer, "devices");
  rb_status status = rb_rig_scan(note_device, &list, err);
  rb_json_end(console->answer);
  RB_TRY(rb_device_status(status, err));
  rb_console_tell(console, "%zu to choose from with `rollbook bench set --rig`.", list.n);
  rb_listing_print(list.listing);
  return RB_OK;
}

// ---- bench show

static void answer_pair(rb_json *json, const char *name, double left, double right)
{
  rb_json_numbers(json, name, (const double[]){left, right}, 2);
}

static void answer_bench(rb_json *json, const rb_bench *bench)
{
  rb_json_object(json, "bench");
  rb_json_text(json, "rig", bench->rig);
  rb_json_number(json, "rate_hz", bench->rate_hz);
  answer_pair(json, "output_channels", bench->output_channels[0], bench->output_channels[1]);
  answer_pair(json, "input_channels", bench->input_channels[0], bench->input_channels[1]);
  rb_json_number(json, "load_ohm", bench->load_ohm);
  rb_json_number(json, "load_tolerance_pct", bench->load_tolerance_pct);
  rb_json_number(json, "attenuator_ratio", bench->attenuator_ratio);
  rb_json_number(json, "mains_hz", bench->mains_hz);
  rb_json_number(json, "ceiling_dbfs", bench->ceiling_dbfs);
  rb_json_number(json, "ceiling_w", bench->ceiling_w);
  if (bench->speaker_db > 0)
    rb_json_number(json, "speaker_db", bench->speaker_db);
  if (bench->listener_m > 0)
    rb_json_number(json, "listener_m", bench->listener_m);
  rb_json_bool(json, "calibrated", bench->calibrated);
  if (bench->calibrated) {
    rb_json_numbers(json, "load_vrms_per_fs", bench->load_vrms_per_fs, 2);
    rb_json_number(json, "calibration_pct", bench->calibration_pct);
    rb_json_text(json, "calibrated_at", bench->calibrated_at);
    answer_pair(json, "polarity", bench->polarity[0], bench->polarity[1]);
  }
  rb_json_end(json);
}

static const char *polarity_word(int polarity)
{
  return polarity > 0 ? "in phase" : polarity < 0 ? "turned over" : "not known";
}

static void list_bench(rb_console *console, const rb_bench *bench)
{
  static const rb_listing_column columns[] = {{"setting", false}, {"value", false}};
  const char *mains =
      bench->mains_hz > 0 ? rb_cell(console, "%g Hz", bench->mains_hz) : "found by itself";
  const char *speaker =
      bench->speaker_db > 0
          ? rb_cell(console, "loudspeakers of %g dB (1 m, 2.83 V)", bench->speaker_db)
          : "loudspeaker not entered";
  const char *listener = bench->listener_m > 0
                             ? rb_cell(console, "%s, %g m away", speaker, bench->listener_m)
                             : rb_cell(console, "%s, distance not entered", speaker);
  const char *rows[][2] = {
      {"rig", bench->rig},
      {"sample rate", rb_cell(console, "%g Hz", bench->rate_hz)},
      {"card outputs",
       rb_cell(console, "%u left, %u right", bench->output_channels[0], bench->output_channels[1])},
      {"card inputs",
       rb_cell(console, "%u left, %u right", bench->input_channels[0], bench->input_channels[1])},
      {"load",
       rb_cell(console, "%g ohm, within %g %%", bench->load_ohm, bench->load_tolerance_pct)},
      {"attenuator", rb_cell(console, "%g : 1", bench->attenuator_ratio)},
      {"mains", mains},
      {"ceiling",
       rb_cell(console, "%g W at the load, %g dBFS", bench->ceiling_w, bench->ceiling_dbfs)},
      {"listener", listener},
  };
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < RB_LEN(rows); i++)
    rb_listing_row(listing, rows[i]);
  rb_listing_print(listing);
}

static void tell_calibration(rb_console *console, const rb_bench *bench)
{
  if (!bench->calibrated) {
    rb_console_tell(console, "Not calibrated: levels are known in dBFS only, and nothing can be "
                             "asked in watts. `rollbook bench calibrate` changes that.");
    return;
  }
  rb_console_tell(console,
                  "Calibrated %s: full scale is %s left and %s right at the load, within "
                  "%.2g %%; left is %s, right is %s.",
                  bench->calibrated_at, rb_figure_prose(bench->load_vrms_per_fs[0], "V").text,
                  rb_figure_prose(bench->load_vrms_per_fs[1], "V").text, bench->calibration_pct,
                  polarity_word(bench->polarity[0]), polarity_word(bench->polarity[1]));
}

static rb_status show(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  (void)arguments;
  rb_bench bench;
  RB_TRY(rb_book_bench(book, &bench, err));
  answer_bench(console->answer, &bench);
  tell_calibration(console, &bench);
  list_bench(console, &bench);
  return RB_OK;
}

static rb_status run_show(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, show, err);
}

// ---- bench set

static rb_status read_channels(const rb_arguments *arguments, const char *option,
                               unsigned channels[2], rb_err *err)
{
  const char *text = rb_argument_text(arguments, option);
  if (!text)
    return RB_OK;
  char end = 0;
  unsigned left = 0, right = 0;
  bool fine = strspn(text, "0123456789, ") == strlen(text) &&
              sscanf(text, "%3u ,%3u%c", &left, &right, &end) == 2;
  if (!fine || left < 1 || right < 1 || left == right)
    return rb_fail(err, RB_BAD_ARG,
                   "--%s needs two different channels of the card, counted from 1, "
                   "as 1,2; but got '%.40s'.",
                   option, text);
  channels[0] = left;
  channels[1] = right;
  return RB_OK;
}

/// A number of the bench and the option that sets it.
typedef struct bench_number {
  const char *option;
  size_t offset;
  bool recalibrate; ///< The calibration does not hold after it.
} bench_number;

static const bench_number numbers[] = {
    {"rate", offsetof(rb_bench, rate_hz), false},
    {"load", offsetof(rb_bench, load_ohm), false},
    {"load-tolerance", offsetof(rb_bench, load_tolerance_pct), false},
    {"attenuator", offsetof(rb_bench, attenuator_ratio), true},
    {"mains", offsetof(rb_bench, mains_hz), false},
    {"ceiling-dbfs", offsetof(rb_bench, ceiling_dbfs), false},
    {"ceiling-w", offsetof(rb_bench, ceiling_w), false},
    {"speaker-db", offsetof(rb_bench, speaker_db), false},
    {"listener-m", offsetof(rb_bench, listener_m), false},
};

// Sets what was given; `*n_set` settings, `*stale` when the calibration holds no longer.
static rb_status take_settings(const rb_arguments *arguments, rb_bench *bench, size_t *n_set,
                               bool *stale, rb_err *err)
{
  rb_bench before = *bench;
  for (size_t i = 0; i < RB_LEN(numbers); i++) {
    double *place = (double *)(void *)((char *)bench + numbers[i].offset);
    if (!rb_argument_given(arguments, numbers[i].option))
      continue;
    double value = rb_argument_number(arguments, numbers[i].option);
    *stale = *stale || (numbers[i].recalibrate && (value < *place || value > *place));
    *place = value;
    ++*n_set;
  }
  const char *const texts[] = {"rig", "outputs", "inputs"};
  for (size_t i = 0; i < RB_LEN(texts); i++)
    *n_set += rb_argument_given(arguments, texts[i]);
  RB_TRY(read_channels(arguments, "outputs", bench->output_channels, err));
  RB_TRY(read_channels(arguments, "inputs", bench->input_channels, err));
  if (rb_argument_given(arguments, "rig"))
    RB_TRY(rb_stock_text("--rig", rb_argument_text(arguments, "rig"), bench->rig, sizeof bench->rig,
                         err));
  *stale = *stale || strcmp(before.rig, bench->rig) != 0 ||
           memcmp(before.input_channels, bench->input_channels, sizeof before.input_channels) != 0;
  return RB_OK;
}

static rb_status set(rb_console *console, const rb_arguments *arguments, rb_book *book, rb_err *err)
{
  rb_bench bench;
  size_t n_set = 0;
  bool stale = false;
  RB_TRY(rb_book_bench(book, &bench, err));
  RB_TRY(take_settings(arguments, &bench, &n_set, &stale, err));
  if (!n_set)
    return rb_fail(err, RB_BAD_ARG,
                   "Nothing to set was named. `rollbook bench set --help` lists what "
                   "there is, `rollbook bench show` what it is now.");
  bool dropped = stale && bench.calibrated;
  if (dropped)
    bench.calibrated = false;
  RB_TRY(rb_book_set_bench(book, &bench, err));
  answer_bench(console->answer, &bench);
  if (dropped)
    rb_console_tell(console, "The bench is set. Its calibration was for another path and is gone.");
  tell_calibration(console, &bench);
  list_bench(console, &bench);
  return RB_OK;
}

static bool is_rig(const char *uri)
{
  const char *colon = strchr(uri, ':');
  return colon && colon != uri;
}

static rb_status run_set(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  const char *rig = rb_argument_text(arguments, "rig");
  if (rig && !is_rig(rig))
    return rb_fail(err, RB_BAD_ARG,
                   "--rig needs card:NAME, sim: or file:PATH, but got '%.80s'. "
                   "`rollbook bench devices` lists what is here.",
                   rig);
  return rb_with_book(console, arguments, RB_BOOK_CREATE, set, err);
}

static const rb_option set_options[] = {
    {.name = "rig",
     .kind = RB_OPTION_TEXT,
     .value = "URI",
     .help = "What plays and captures: card:NAME, sim: (the simulated amplifier) or file:PATH, as "
             "`rollbook bench devices` lists them"},
    {.name = "rate",
     .kind = RB_OPTION_NUMBER,
     .value = "HZ",
     .lowest = 8000,
     .highest = 768000,
     .help = "Sample rate of player and recorder"},
    {.name = "outputs",
     .kind = RB_OPTION_TEXT,
     .value = "LEFT,RIGHT",
     .help = "Channels of the card, counted from 1, that drive the amplifier"},
    {.name = "inputs",
     .kind = RB_OPTION_TEXT,
     .value = "LEFT,RIGHT",
     .help = "Channels of the card, counted from 1, that hear the load through the attenuator"},
    {.name = "load",
     .kind = RB_OPTION_NUMBER,
     .value = "OHM",
     .lowest = 1,
     .highest = 1000,
     .help = "Resistance of the load"},
    {.name = "load-tolerance",
     .kind = RB_OPTION_NUMBER,
     .value = "PERCENT",
     .lowest = 0,
     .highest = 50,
     .help = "How far the load may be off"},
    {.name = "attenuator",
     .kind = RB_OPTION_NUMBER,
     .value = "RATIO",
     .lowest = 1,
     .highest = 10000,
     .help = "Volts at the load over volts at the card's input: 20 for 19 kilohm over 1 kilohm"},
    {.name = "speaker-db",
     .kind = RB_OPTION_NUMBER,
     .value = "DB",
     .lowest = 60,
     .highest = 120,
     .help = "Loudspeaker: dB SPL at 1 m for 2.83 V; with --listener-m, hum and noise are judged "
             "at the listener"},
    {.name = "listener-m",
     .kind = RB_OPTION_NUMBER,
     .value = "METRES",
     .lowest = 0.3,
     .highest = 30,
     .help = "From loudspeaker to listener"},
    {.name = "mains",
     .kind = RB_OPTION_CHOICE,
     .value = "HZ",
     .choices = (const char *const[]){"0", "50", "60", NULL},
     .help = "Frequency of the mains; 0 finds it by itself"},
    {.name = "ceiling-dbfs",
     .kind = RB_OPTION_NUMBER,
     .value = "DBFS",
     .lowest = -120,
     .highest = 0,
     .help = "Nothing is ever played louder than this"},
    {.name = "ceiling-w",
     .kind = RB_OPTION_NUMBER,
     .value = "W",
     .lowest = 0.001,
     .highest = 1000,
     .help = "No more than this is ever asked at the load"},
};

// ---- bench calibrate

/// Where the readings of the user's voltmeter come from.
typedef struct meter {
  rb_console *console;
  rb_watch *watch;
  const rb_arguments *arguments;
  rb_err *err;
} meter;

static rb_status ask_meter(void *payload, rb_channel channel, double *level_vrms)
{
  meter *user = payload;
  const char *option = channel == RB_LEFT ? "left-vrms" : "right-vrms";
  if (rb_argument_given(user->arguments, option)) {
    *level_vrms = rb_argument_number(user->arguments, option);
    return RB_OK;
  }
  rb_watch_end(user->watch);
  const char *question = rb_cell(user->console,
                                 "What does the meter across the %s load show, in "
                                 "volts rms?",
                                 rb_channel_name(channel));
  for (;;) {
    char answer[64];
    rb_err problem = {.status = RB_OK};
    RB_TRY(rb_console_ask(user->console, question, answer, sizeof answer, &problem));
    size_t length = strlen(answer);
    if (length > 1 && (answer[length - 1] == 'V' || answer[length - 1] == 'v'))
      answer[length - 1] = '\0';
    if (rb_text_to_number(answer, level_vrms) && *level_vrms > 0)
      return RB_OK;
    fputs("That is no voltage. Write it with a point: 2.00\n", user->console->err);
  }
}

static void answer_calibration(rb_console *console, const rb_bench *bench,
                               const rb_calibration *found)
{
  rb_json_object(console->answer, "calibration");
  rb_json_numbers(console->answer, "load_vrms", found->load_vrms, 2);
  rb_json_numbers(console->answer, "captured_dbfs", found->captured_dbfs, 2);
  rb_json_numbers(console->answer, "drive_dbfs", found->drive_dbfs, 2);
  rb_json_bool(console->answer, "by_rig_meter", found->by_rig_meter);
  rb_json_end(console->answer);
  answer_bench(console->answer, bench);
}

static rb_status calibrate(rb_console *console, const rb_arguments *arguments, rb_book *book,
                           rb_err *err)
{
  rb_bench bench;
  rb_calibration found = {0};
  rb_watch watch = {.console = console};
  meter user = {.console = console, .watch = &watch, .arguments = arguments, .err = err};
  rb_calibrate how = {
      .read_meter = ask_meter,
      .payload = &user,
      .power_w = rb_argument_number(arguments, "power"),
      .duration_s = rb_argument_number(arguments, "seconds"),
      .meter_pct = rb_argument_number(arguments, "meter"),
      .cancel = console->cancel,
      .watcher = rb_watch_events(&watch),
  };
  RB_TRY(rb_book_bench(book, &bench, err));
  rb_status status = rb_device_status(rb_runner_calibrate(&how, &bench, &found, err), err);
  rb_watch_end(&watch);
  RB_TRY(status);
  RB_TRY(rb_book_set_bench(book, &bench, err));
  answer_calibration(console, &bench, &found);
  if (found.by_rig_meter)
    rb_console_tell(console, "The simulated amplifier's own meter was read.");
  tell_calibration(console, &bench);
  return RB_OK;
}

static rb_status run_calibrate(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  RB_TRY(rb_agree_to_safety(console, rb_argument_given(arguments, "yes"), err));
  return rb_with_book(console, arguments, RB_BOOK_CREATE, calibrate, err);
}

static const rb_option calibrate_options[] = {
    {.name = "yes", .kind = RB_OPTION_FLAG, .help = "The safety list holds; do not ask"},
    {.name = "left-vrms",
     .kind = RB_OPTION_NUMBER,
     .value = "V",
     .lowest = 0.001,
     .highest = 200,
     .help =
         "What the meter across the left load shows; else it is asked for while the tone plays"},
    {.name = "right-vrms",
     .kind = RB_OPTION_NUMBER,
     .value = "V",
     .lowest = 0.001,
     .highest = 200,
     .help = "The same for the right load"},
    {.name = "power",
     .kind = RB_OPTION_NUMBER,
     .value = "W",
     .lowest = 0.001,
     .highest = 100,
     .fallback = "0.5",
     .help = "Power asked at the load, approached from 40 dB below"},
    {.name = "seconds",
     .kind = RB_OPTION_NUMBER,
     .value = "S",
     .lowest = 1,
     .highest = 120,
     .fallback = "8",
     .help = "How long the tone lasts on each channel"},
    {.name = "meter",
     .kind = RB_OPTION_NUMBER,
     .value = "PERCENT",
     .lowest = 0.001,
     .highest = 20,
     .fallback = "0.5",
     .help = "Standard uncertainty of the meter"},
};

// ---- bench floor

static rb_status agree_to_loop(rb_console *console, bool yes, rb_err *err)
{
  if (yes)
    return RB_OK;
  char answer[16];
  rb_console_say(console,
                 "Take the amplifier out: join the card's output to its input, nothing else "
                 "connected.");
  RB_TRY(rb_console_ask(console, "Is it so? Type yes to go on:", answer, sizeof answer, err));
  if (strcmp(answer, "yes") == 0 || strcmp(answer, "y") == 0)
    return RB_OK;
  return rb_fail(err, RB_CANCELLED, "Nothing was played.");
}

static rb_status measure_floor(rb_console *console, const rb_arguments *arguments, rb_book *book,
                               rb_err *err)
{
  rb_plan plan;
  rb_watch watch = {.console = console};
  rb_watcher watcher = rb_watch_events(&watch);
  rb_results floors = rb_results_in(console->arena);
  RB_TRY(rb_choose_plan(rb_argument_text(arguments, "plan"), 0, &plan, err));
  RB_TRY(agree_to_loop(console, rb_argument_given(arguments, "yes"), err));
  rb_status status =
      rb_device_status(rb_runner_floor(book, &plan, console->cancel, &watcher, &floors, err), err);
  rb_watch_end(&watch);
  RB_TRY(status);
  rb_json_results(console->answer, &floors);
  rb_console_tell(console, "The bench's own floor is in the book: %zu readings.",
                  floors.n_readings);
  rb_list_readings(console, &floors, false);
  return RB_OK;
}

static rb_status run_floor(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, measure_floor, err);
}

static const rb_option floor_options[] = {
    {.name = "plan",
     .kind = RB_OPTION_TEXT,
     .value = "NAME",
     .fallback = "standard",
     .help = "The plan whose readings get a floor"},
    {.name = "yes", .kind = RB_OPTION_FLAG, .help = "The loop is made; do not ask"},
};

static const rb_command subcommands[] = {
    {.name = "devices", .summary = "What can play and capture here", .run = run_devices},
    {.name = "set",
     .summary = "Enter sound card, channels, attenuator, load and limits",
     .example = "rollbook bench set --rig card:USB --load 8 --attenuator 20 --ceiling-w 10",
     RB_OPTIONS(set_options),
     .run = run_set},
    {.name = "show", .summary = "The bench as it is set", .run = run_show},
    {.name = "calibrate",
     .summary = "Tie the card's input to volts at the load, with a voltmeter",
     .description = "Plays a steady tone through the loaded amplifier, one channel at a time, and "
                    "asks what a meter across the load shows. Also finds the polarity of the path.",
     .example = "rollbook bench calibrate --left-vrms 2.00 --right-vrms 2.01 --yes",
     RB_OPTIONS(calibrate_options),
     .run = run_calibrate},
    {.name = "floor",
     .summary = "What the bench itself adds, output joined to input",
     RB_OPTIONS(floor_options),
     .run = run_floor},
};

const rb_command rb_command_bench = {
    .name = "bench",
    .summary = "Sound card, attenuator, load, calibration and the bench's own floor",
    RB_SUBCOMMANDS(subcommands),
};
