// SPDX-License-Identifier: GPL-3.0-or-later
#include "pass.h"

#include "rollbook/base/text.h"
#include "rollbook/base/units.h"

#include <math.h>

enum { MOST_RETAKES = 3 };

// A marker is found to this many frames or better; see tests/stimulus/test_samples.c.
static const double marker_frames = 0.02;

// ---- levels -------------------------------------------------------------------------------------

void pass_peaks(const pass_run *pass, const rb_step *step, double peak[2])
{
  const double scale = sqrt(step->power_w / pass->reference_power_w);
  for (unsigned c = 0; c < 2; c++) {
    const bool driven = step->drive == RB_BOTH || step->drive == (rb_channel)c;
    peak[c] = driven ? scale * pass->reference_peak[c] : 0;
  }
}

rb_status pass_check_step(const pass_run *pass, const ready_step *step, rb_err *err)
{
  const rb_bench *bench = &pass->session->bench;
  if (step->step.power_w > bench->ceiling_w)
    return rb_fail(err, RB_UNSAFE,
                   "%s: over the bench's ceiling of %g W. Nothing was played. Raise the ceiling "
                   "with `rollbook bench set` if amplifier and load can take it.",
                   step->condition, bench->ceiling_w);
  const double ceiling = rb_ratio_from_db(bench->ceiling_dbfs) * (1 + 1e-9);
  for (unsigned c = 0; c < 2; c++)
    if (step->peak[c] > ceiling)
      return rb_fail(err, RB_UNSAFE,
                     "%s needs a drive of %.2f dBFS on %s; the bench's ceiling is %.2f dBFS. The "
                     "step was not played.",
                     step->condition, rb_db_from_ratio(step->peak[c]),
                     rb_channel_name((rb_channel)c), bench->ceiling_dbfs);
  return RB_OK;
}

// ---- one capture --------------------------------------------------------------------------------

static rb_kept_capture *next_slot(pass_run *pass, const ready_step *step)
{
  if (pass->n_captures == PASS_CAPTURES)
    return NULL;
  rb_kept_capture *kept = &pass->captures[pass->n_captures++];
  *kept = (rb_kept_capture){.drive = step->step.drive};
  rb_text_copy(kept->signal, sizeof kept->signal, step->signal.name);
  rb_text_copy(kept->condition, sizeof kept->condition, step->condition);
  for (unsigned c = 0; c < 2; c++)
    kept->drive_dbfs[c] = rb_db_from_ratio(step->peak[c]);
  return kept;
}

static rb_status play_into(pass_run *pass, const ready_step *step, rb_kept_capture *kept,
                           rb_located *located, rb_err *err)
{
  RB_TRY(session_play(pass->session, step, pass->arena, &kept->capture, located, err));
  if (pass->n_captures == 1) {
    const rb_framing framing =
        rb_framing_for(step->stimulus.n_frames, step->stimulus.rate_hz, 0, 0);
    pass->located = *located;
    pass->marker_frames = framing.marker_end - framing.marker_start;
  }
  return RB_OK;
}

// Waits for the last capture's analysis. A capture with a break that the markers did not show is
// taken again.
static rb_status settle(pass_run *pass, rb_err *err)
{
  for (unsigned retakes = 0;; retakes++) {
    const ready_step *step = pass->analyser.step;
    rb_status status = analyser_finish(&pass->analyser, &pass->results, err);
    if (status != RB_LOST_FRAMES || retakes == MOST_RETAKES)
      return status;
    session_note(pass->session, "%s is taken again: frames were lost.", step->condition);
    rb_kept_capture *kept = &pass->captures[pass->n_captures - 1];
    rb_located located;
    RB_TRY(play_into(pass, step, kept, &located, err));
    RB_TRY(analyser_start(&pass->analyser, pass->session, step, &kept->capture, &located, err));
  }
}

static const char *driven_words(rb_channel drive)
{
  return drive == RB_LEFT ? ", left" : drive == RB_RIGHT ? ", right" : "";
}

static rb_status take(pass_run *pass, const ready_step *step, rb_err *err)
{
  session_stage(pass->session, "pass %u of %u: %s at %g W%s", pass->number, pass->n_passes,
                step->signal.title, step->step.power_w, driven_words(step->step.drive));
  // The new capture takes its slot only when the one before is settled: a retake needs the last.
  rb_kept_capture kept;
  rb_located located;
  if (pass->n_captures == 0) {
    rb_kept_capture *first = next_slot(pass, step);
    RB_TRY(play_into(pass, step, first, &located, err));
    return analyser_start(&pass->analyser, pass->session, step, &first->capture, &located, err);
  }
  RB_TRY(session_play(pass->session, step, pass->arena, &kept.capture, &located, err));
  RB_TRY(settle(pass, err));
  rb_kept_capture *slot = next_slot(pass, step);
  if (!slot)
    return rb_fail(err, RB_NO_MEM, "A pass holds at most %d captures.", PASS_CAPTURES);
  slot->capture = kept.capture;
  return analyser_start(&pass->analyser, pass->session, step, &slot->capture, &located, err);
}

// ---- a series that chooses its own levels -------------------------------------------------------

static rb_status next_of(pass_run *pass, const ready_step *step, ready_step **next, rb_err *err)
{
  bool more = false;
  rb_step wanted = step->step;
  const rb_analysis analysis = step_analysis(pass->session, step, NULL);
  *next = NULL;
  RB_TRY(step->procedure->next(&analysis, &pass->results, &wanted, &more, err));
  if (!more)
    return RB_OK;
  *next = rb_arena_alloc(pass->arena, 1, sizeof **next);
  if (!*next)
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  **next = *step;
  (*next)->step = wanted;
  rb_condition((*next)->condition, step->signal.name, wanted.power_w, wanted.drive);
  pass_peaks(pass, &wanted, (*next)->peak);
  return pass_check_step(pass, *next, err);
}

static rb_status finish_series(pass_run *pass, const ready_step *last, rb_err *err)
{
  if (!last->procedure->finish)
    return RB_OK;
  const rb_analysis analysis = step_analysis(pass->session, last, NULL);
  return last->procedure->finish(&analysis, &pass->results, err);
}

static rb_status take_series(pass_run *pass, const ready_step *step, rb_err *err)
{
  RB_TRY(take(pass, step, err));
  while (step->procedure->next) {
    ready_step *next = NULL;
    RB_TRY(settle(pass, err));
    RB_TRY(next_of(pass, step, &next, err));
    if (!next)
      return finish_series(pass, step, err);
    RB_TRY(take(pass, next, err));
    step = next;
  }
  return RB_OK;
}

// ---- the pass -----------------------------------------------------------------------------------

static rb_status add_path_readings(pass_run *pass)
{
  const double clock_uncertainty_ppm = 1e6 * sqrt(2) * marker_frames / (double)pass->marker_frames;
  const rb_reading clock = {.key = "clock_ppm",
                            .channel = RB_BOTH,
                            .condition = "bench",
                            .value = pass->located.clock_ppm,
                            .unit = "ppm",
                            .uncertainty = clock_uncertainty_ppm,
                            .resolved = true};
  const rb_reading latency = {.key = "latency",
                              .channel = RB_BOTH,
                              .condition = "bench",
                              .value = pass->located.latency_s,
                              .unit = "s",
                              .uncertainty = marker_frames / pass->captures[0].capture.rate_hz,
                              .resolved = true};
  RB_TRY(rb_results_add(&pass->results, &clock));
  return rb_results_add(&pass->results, &latency);
}

static rb_status take_all(pass_run *pass, const ready_step *steps, size_t n_steps, rb_err *err)
{
  for (size_t i = 0; i < n_steps; i++)
    RB_TRY(take_series(pass, &steps[i], err));
  RB_TRY(settle(pass, err));
  if (pass->located.found && add_path_readings(pass) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory for readings.");
  return RB_OK;
}

rb_status pass_take(pass_run *pass, const ready_step *steps, size_t n_steps, rb_err *err)
{
  pass->results = rb_results_in(pass->arena);
  pass->n_captures = 0;
  pass->analyser = (analyser){.running = false};
  pass->captures = rb_arena_alloc(pass->arena, PASS_CAPTURES, sizeof *pass->captures);
  if (!pass->captures)
    return rb_fail(err, RB_NO_MEM, "Out of memory for captures.");
  rb_status status = take_all(pass, steps, n_steps, err);
  if (status != RB_OK && analyser_finish(&pass->analyser, NULL, NULL) != RB_OK)
    return status; // what the analysis would have said no longer matters
  return status;
}
