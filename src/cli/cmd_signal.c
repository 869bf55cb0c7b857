// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/units.h"
#include "rollbook/cli/command.h"
#include "rollbook/cli/console.h"
#include "rollbook/procedures/procedure.h"
#include "rollbook/rig/file.h"
#include "rollbook/stimulus/samples.h"
#include "rollbook/stimulus/signal.h"

#include <string.h>

// ---- signal list

static rb_status run_list(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  (void)arguments;
  static const rb_listing_column columns[] = {
      {"name", false}, {"kind", false}, {"what it is", false}};
  rb_signal_entry *entries = NULL;
  size_t n = 0, n_plans = 0;
  if (rb_signal_list(console->arena, &entries, &n) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory while listing the signals.");
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  rb_json_array(console->answer, "signals");
  for (size_t i = 0; i < n; i++) {
    const rb_signal_entry *entry = &entries[i];
    const char *kind = entry->plan ? "plan" : "signal";
    n_plans += entry->plan;
    rb_json_object(console->answer, NULL);
    rb_json_text(console->answer, "name", entry->name);
    rb_json_text(console->answer, "kind", kind);
    rb_json_text(console->answer, "title", entry->title);
    rb_json_text(console->answer, "file", entry->file);
    rb_json_bool(console->answer, "damaged", entry->damaged);
    rb_json_end(console->answer);
    rb_listing_row(listing, (const char *[]){
                                entry->name, kind,
                                entry->damaged ? rb_cell(console, "cannot be read: %s", entry->file)
                                               : entry->title});
  }
  rb_json_end(console->answer);
  rb_console_tell(console, "%zu signal%s and %zu plan%s.", n - n_plans, n - n_plans == 1 ? "" : "s",
                  n_plans, n_plans == 1 ? "" : "s");
  rb_listing_print(listing);
  return RB_OK;
}

// ---- signal NAME OUT.wav

// The stimulus between its markers, as the bench plays it.
static rb_status render(rb_console *console, const rb_stimulus *stimulus, rb_channel drive,
                        double peak_ratio, rb_capture *frames, rb_err *err)
{
  const double lead_in_s = 1, tail_s = 1;
  double peak[2] = {drive == RB_RIGHT ? 0 : peak_ratio, drive == RB_LEFT ? 0 : peak_ratio};
  rb_framing framing = rb_framing_for(stimulus->n_frames, stimulus->rate_hz, lead_in_s, tail_s);
  float *play = rb_arena_alloc(console->arena, framing.n_frames * 2, sizeof *play);
  if (!play || rb_framing_render(&framing, stimulus, peak, peak, console->arena, play) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory while making the signal.");
  *frames = (rb_capture){.frames = play,
                         .n_frames = framing.n_frames,
                         .n_channels = 2,
                         .rate_hz = stimulus->rate_hz,
                         .health = {.usable = true}};
  return RB_OK;
}

static rb_status make_stimulus(rb_console *console, const rb_signal *signal, rb_channel drive,
                               double rate_hz, rb_stimulus *stimulus, rb_err *err)
{
  const rb_procedure *procedure = NULL;
  RB_TRY(rb_procedure_for(signal, &procedure, err));
  return procedure->plan(signal, drive, rate_hz, console->arena, stimulus, err);
}

static rb_status run_save(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  const char *path = rb_argument_word(arguments, 1);
  rb_signal signal;
  rb_stimulus stimulus = {.n_frames = 0};
  rb_capture frames;
  rb_channel drive = RB_BOTH;
  RB_TRY(rb_channel_from_name(rb_argument_text(arguments, "channel"), &drive));
  RB_TRY(rb_signal_find(rb_argument_word(arguments, 0), &signal, err));
  RB_TRY(make_stimulus(console, &signal, drive, rb_argument_number(arguments, "rate"), &stimulus,
                       err));
  double peak_ratio = rb_ratio_from_db(rb_argument_number(arguments, "level"));
  RB_TRY(render(console, &stimulus, drive, peak_ratio, &frames, err));
  rb_file_width width = rb_argument_given(arguments, "float") ? RB_FILE_FLOAT_32 : RB_FILE_PCM_24;
  rb_status saved = rb_file_save(path, &frames, width, err);
  if (saved == RB_IO && err)
    err->status = saved = RB_STORAGE; // a place to write to, not an input
  RB_TRY(saved);
  double duration_s = (double)frames.n_frames / frames.rate_hz;
  rb_json_text(console->answer, "signal", signal.name);
  rb_json_text(console->answer, "file", path);
  rb_json_number(console->answer, "rate_hz", frames.rate_hz);
  rb_json_number(console->answer, "duration_s", duration_s);
  rb_json_number(console->answer, "stimulus_s", (double)stimulus.n_frames / stimulus.rate_hz);
  rb_json_number(console->answer, "level_dbfs", rb_argument_number(arguments, "level"));
  rb_console_tell(console, "%s: %s, %.1f s at %g Hz, with the markers a capture is found by.", path,
                  signal.title, duration_s, frames.rate_hz);
  rb_console_say(console,
                 "Next: play it through the amplifier, record the load, and `rollbook "
                 "analyze RECORDING --signal %s`.",
                 signal.name);
  return RB_OK;
}

static const char *const channels[] = {"left", "right", "both", NULL};

static const rb_option save_options[] = {
    {.name = "rate",
     .kind = RB_OPTION_NUMBER,
     .value = "HZ",
     .lowest = 8000,
     .highest = 768000,
     .fallback = "48000",
     .help = "Sample rate of the file"},
    {.name = "channel",
     .kind = RB_OPTION_CHOICE,
     .value = "CHANNEL",
     .choices = channels,
     .fallback = "both",
     .help = "Which channel sounds"},
    {.name = "level",
     .kind = RB_OPTION_NUMBER,
     .value = "DBFS",
     .lowest = -120,
     .highest = 0,
     .fallback = "-6",
     .help = "Peak of the signal, of full scale"},
    {.name = "float", .kind = RB_OPTION_FLAG, .help = "32-bit floating point instead of 24-bit"},
};

static const rb_positional save_words[] = {
    {.name = "NAME", .help = "The signal, as `rollbook signal list` names it, or a file NAME.ini"},
    {.name = "OUT.wav", .help = "The file to write"},
};

static const rb_command subcommands[] = {
    {.name = "list", .summary = "All signals and plans", .run = run_list},
};

const rb_command rb_command_signal = {
    .name = "signal",
    .summary = "A test signal as a file, for players away from the computer",
    .example = "rollbook signal tone-1k tone.wav --level -12",
    RB_SUBCOMMANDS(subcommands),
    RB_OPTIONS(save_options),
    RB_POSITIONALS(save_words),
    .run = run_save,
};
