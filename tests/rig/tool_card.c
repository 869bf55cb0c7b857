// SPDX-License-Identifier: GPL-3.0-or-later
// Drives a rig through the guard from a script. One line a step on standard output, errors with
// their status on standard error.
//
//   tool_card list
//   tool_card run URI RATE SECONDS HZ PEAK OUT.wav [COUNT [open|keep]]
//       plays a sine on both channels COUNT times and writes the last capture as float WAV;
//       "open" opens and closes the rig for each, "keep" (the default) once for all
//   tool_card hold URI RATE SECONDS   opens the rig and waits
//   tool_card rate URI RATE SECONDS   whether the path resamples
// Environment: CANCEL_AFTER_S asks to stop after so many seconds; LOG is the log's path.
#include "rollbook/base/clock.h"
#include "rollbook/base/log.h"
#include "rollbook/base/text.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/continuity.h"
#include "rollbook/guard/guard.h"
#include "rollbook/rig/card.h"
#include "rollbook/rig/file.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static rb_cancel cancel;

static double now_s(void)
{
  const rb_clock *clock = rb_clock_system();
  return clock->monotonic_s(clock->payload);
}

static int fail(rb_status status, const rb_err *err)
{
  static const char *const names[] = {
#define NAME(name, text) #name,
      RB_STATUS_LIST(NAME)
#undef NAME
  };
  fprintf(stderr, "%s: %s\n", names[status], err->message);
  return 1;
}

static void *cancel_later(void *payload)
{
  const rb_clock *clock = rb_clock_system();
  clock->sleep_s(clock->payload, *(double *)payload);
  rb_cancel_request(&cancel);
  return NULL;
}

static void print_device(void *payload, const char *uri, const char *description)
{
  (void)payload;
  printf("%s\t%s\n", uri, description);
}

static int list(void)
{
  rb_err err = {0};
  rb_status status = rb_rig_scan(print_device, NULL, &err);
  return status == RB_OK ? 0 : fail(status, &err);
}

typedef struct task {
  const char *uri, *out, *how;
  double rate_hz, duration_s, tone_hz, peak;
  int count;
} task;

static rb_status open_rig(const task *what, rb_guard **guard, rb_err *err)
{
  rb_bench bench = rb_bench_default();
  rb_text_copy(bench.rig, sizeof bench.rig, what->uri);
  bench.rate_hz = what->rate_hz;
  double start_s = now_s();
  RB_TRY(rb_guard_open(&bench, NULL, 1, guard, err));
  const rb_rig_caps *caps = rb_guard_caps(*guard);
  printf("open\t%s\t%.3f s\t%s\n", caps->title, now_s() - start_s, caps->note);
  fflush(stdout);
  return RB_OK;
}

static void make_tone(const task *what, rb_arena *arena, rb_stimulus *stimulus)
{
  size_t n = (size_t)(what->duration_s * what->rate_hz);
  *stimulus = (rb_stimulus){.left = rb_arena_doubles(arena, n),
                            .right = rb_arena_doubles(arena, n),
                            .n_frames = n,
                            .rate_hz = what->rate_hz};
  for (size_t i = 0; i < n; i++)
    stimulus->left[i] = stimulus->right[i] =
        sin(2 * RB_PI * what->tone_hz * (double)i / what->rate_hz);
}

static rb_status exchange(const task *what, rb_guard *guard, const rb_stimulus *stimulus,
                          rb_arena *arena, rb_capture *capture, rb_err *err)
{
  rb_guard_report report;
  double start_s = now_s();
  printf("start\n");
  fflush(stdout);
  RB_TRY(rb_guard_exchange(guard, stimulus, (double[]){what->peak, what->peak}, 0, &cancel, NULL,
                           arena, capture, &report, err));
  printf("done\t%.3f s\tattempts %u\tlatency %.6f s\tmissing %ld\tflags %u %u\n", now_s() - start_s,
         report.attempts, report.located.latency_s, report.located.missing_frames,
         capture->health.overruns, capture->health.underruns);
  fflush(stdout);
  return RB_OK;
}

// What the analysis of a tone adds to the guard's judgement by markers.
static rb_status judge(const task *what, const rb_capture *capture, rb_arena *arena)
{
  double *samples = rb_arena_doubles(arena, capture->n_frames);
  rb_continuity continuity;
  if (!samples)
    return RB_NO_MEM;
  rb_capture_channel(capture, 0, samples);
  RB_TRY(rb_continuity_check(samples, capture->n_frames, capture->rate_hz, what->tone_hz, arena,
                             &continuity));
  printf("continuity\t%s\n", continuity.usable ? "whole" : "broken");
  return RB_OK;
}

static rb_status run(const task *what, rb_arena *arena, rb_err *err)
{
  rb_guard *guard = NULL;
  rb_stimulus stimulus;
  rb_capture capture = {0};
  make_tone(what, arena, &stimulus);
  rb_arena_mark mark = rb_arena_save(arena);
  rb_status status = RB_OK;
  for (int i = 0; i < what->count && status == RB_OK; i++) {
    rb_arena_rewind(arena, mark);
    if (!guard)
      status = open_rig(what, &guard, err);
    if (status == RB_OK)
      status = exchange(what, guard, &stimulus, arena, &capture, err);
    if (strcmp(what->how, "open") == 0) {
      rb_guard_close(guard);
      guard = NULL;
    }
  }
  rb_guard_close(guard);
  if (status == RB_OK)
    status = judge(what, &capture, arena);
  if (status == RB_OK)
    status = rb_file_save(what->out, &capture, RB_FILE_FLOAT_32, err);
  return status;
}

static rb_status hold(const task *what, rb_err *err)
{
  rb_guard *guard = NULL;
  RB_TRY(open_rig(what, &guard, err));
  rb_status status = rb_guard_wait(guard, what->duration_s, &cancel, err);
  rb_guard_close(guard);
  return status;
}

static rb_status check_rate(const task *what, rb_arena *arena, rb_err *err)
{
  rb_guard *guard = NULL;
  rb_rate_check found;
  RB_TRY(open_rig(what, &guard, err));
  rb_status status = rb_guard_check_rate(guard, 0.3, &cancel, arena, &found, err);
  rb_guard_close(guard);
  if (status == RB_OK)
    printf("%s\t%g Hz\timage %.1f dB\tloss %.1f dB\n", found.resamples ? "resampled" : "as it is",
           found.other_rate_hz, found.image_db, found.upper_loss_db);
  return status;
}

int main(int argc, char **argv)
{
  if (rb_card_worker_asked(argc, argv))
    return rb_card_worker_run();
  rb_log_to_file(getenv("LOG"));
  double cancel_after_s = getenv("CANCEL_AFTER_S") ? atof(getenv("CANCEL_AFTER_S")) : 0;
  pthread_t canceller;
  if (cancel_after_s > 0 && pthread_create(&canceller, NULL, cancel_later, &cancel_after_s) == 0)
    pthread_detach(canceller);
  if (argc == 2 && strcmp(argv[1], "list") == 0)
    return list();
  if (argc < 5)
    return 2;
  task what = {.uri = argv[2],
               .rate_hz = atof(argv[3]),
               .duration_s = atof(argv[4]),
               .tone_hz = argc > 5 ? atof(argv[5]) : 0,
               .peak = argc > 6 ? atof(argv[6]) : 0,
               .out = argc > 7 ? argv[7] : NULL,
               .count = argc > 8 ? atoi(argv[8]) : 1,
               .how = argc > 9 ? argv[9] : "keep"};
  rb_arena *arena = rb_arena_new(0);
  rb_err err = {0};
  rb_status status = strcmp(argv[1], "hold") == 0   ? hold(&what, &err)
                     : strcmp(argv[1], "rate") == 0 ? check_rate(&what, arena, &err)
                                                    : run(&what, arena, &err);
  rb_arena_free(arena);
  return status == RB_OK ? 0 : fail(status, &err);
}
