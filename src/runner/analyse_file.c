// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/file.h"
#include "rollbook/runner/runner.h"

#include <stdio.h>
#include <stdlib.h>

typedef struct file_analysis {
  rb_signal signal;
  const rb_procedure *procedure;
  rb_analysis analysis;
  rb_stimulus stimulus;
  rb_located located;
  char condition[RB_CONDITION_SIZE];
} file_analysis;

static rb_status plain_tone(double tone_hz, rb_signal *signal, rb_err *err)
{
  char name[RB_SIGNAL_NAME_SIZE];
  snprintf(name, sizeof name, "%.10g Hz", tone_hz);
  *signal = rb_signal_made(name, name, "tone");
  if (rb_signal_set(signal, "frequency_hz", tone_hz) != RB_OK)
    return rb_fail(err, RB_BUG, "A tone of %g Hz could not be described.", tone_hz);
  return RB_OK;
}

static rb_status prepare(const rb_signal *signal, double tone_hz, const rb_bench *bench,
                         file_analysis *job, rb_err *err)
{
  if (signal)
    job->signal = *signal;
  else
    RB_TRY(plain_tone(tone_hz, &job->signal, err));
  RB_TRY(rb_procedure_for(&job->signal, &job->procedure, err));
  rb_condition(job->condition, job->signal.name, -1, RB_BOTH);
  job->analysis =
      (rb_analysis){.signal = &job->signal, .condition = job->condition, .drive = RB_BOTH};
  if (!bench)
    return RB_OK;
  job->analysis.mains_hz = bench->mains_hz;
  job->analysis.load_ohm = bench->load_ohm;
  for (unsigned c = 0; c < 2; c++) {
    job->analysis.polarity[c] = bench->polarity[c];
    job->analysis.load_vrms_per_fs[c] = bench->calibrated ? bench->load_vrms_per_fs[c] : 0;
  }
  return RB_OK;
}

// Cuts the capture where the signal's markers are found in it; else the whole file counts.
static rb_status cut_by_markers(file_analysis *job, rb_arena *arena, rb_capture *capture,
                                rb_err *err)
{
  RB_TRY(job->procedure->plan(&job->signal, RB_BOTH, capture->rate_hz, arena, &job->stimulus, err));
  const rb_framing framing = rb_framing_for(job->stimulus.n_frames, capture->rate_hz, 0, 0);
  rb_status status = rb_framing_locate(&framing, capture, arena, &job->located);
  if (status != RB_OK)
    return rb_fail(err, status, "Looking for the signal's markers failed: %s.",
                   rb_status_text(status));
  if (!job->located.found)
    return RB_OK;
  if (job->located.missing_frames) {
    capture->health.lost_frames = (size_t)labs(job->located.missing_frames);
    return rb_fail(err, RB_LOST_FRAMES,
                   "Between the markers %ld frames are %s, so nothing was read. Record again.",
                   labs(job->located.missing_frames),
                   job->located.missing_frames > 0 ? "missing" : "too many");
  }
  *capture = rb_framing_cut(&framing, &job->located, capture, 0);
  job->analysis.located = &job->located;
  job->analysis.played = &job->stimulus;
  return RB_OK;
}

static rb_status analyse(file_analysis *job, bool framed, rb_arena *arena, rb_capture *capture,
                         rb_results *results, rb_err *err)
{
  if (framed)
    RB_TRY(cut_by_markers(job, arena, capture, err));
  return job->procedure->analyse(&job->analysis, capture, results, err);
}

rb_status rb_runner_analyse_file(const char *path, const rb_signal *signal, double tone_hz,
                                 const rb_bench *bench, rb_arena *arena, rb_capture *capture,
                                 rb_results *results, rb_err *err)
{
  file_analysis job = {.condition = ""};
  *capture = (rb_capture){0};
  RB_TRY(prepare(signal, tone_hz, bench, &job, err));
  RB_TRY(rb_file_load(path, (rb_file_channels){0, 0}, arena, capture, NULL, err));
  capture->health.usable = true;
  rb_status status = analyse(&job, signal != NULL, arena, capture, results, err);
  if (status == RB_OK)
    return RB_OK;
  capture->health.usable = false;
  return rb_fail_within(err, status, "%s", path);
}
