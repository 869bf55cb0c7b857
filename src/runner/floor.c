// SPDX-License-Identifier: GPL-3.0-or-later
#include "pass.h"

#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

// Readings of a bench without amplifier that an amplifier's cannot fall below: these keys, and
// those that begin so.
static const char *const floor_keys[] = {"thd", "thd_n", "h2_signed", "even_sum", "odd_sum"};
static const char *const floor_starts[] = {"noise", "hum_", "imd_"};

static bool is_harmonic(const char *key)
{
  return key[0] == 'h' && key[1] >= '1' && key[1] <= '9' && !strchr(key, '_');
}

static bool is_floor(const char *key)
{
  for (size_t i = 0; i < RB_LEN(floor_keys); i++)
    if (strcmp(key, floor_keys[i]) == 0)
      return true;
  for (size_t i = 0; i < RB_LEN(floor_starts); i++)
    if (strncmp(key, floor_starts[i], strlen(floor_starts[i])) == 0)
      return true;
  return is_harmonic(key);
}

typedef struct flooring {
  bench_session session;
  pass_run pass;
  ready_step steps[RB_MAX_STEPS];
  size_t n_steps;
} flooring;

// Steps the loop can be driven to; the others are left out.
static rb_status choose_steps(flooring *job, const rb_plan *plan, rb_err *err)
{
  for (size_t i = 0; i < plan->n_steps; i++) {
    ready_step *step = &job->steps[job->n_steps];
    rb_err why = {.status = RB_OK};
    RB_TRY(step_prepare(&job->session, plan->file, &plan->steps[i], step, err));
    pass_peaks(&job->pass, &step->step, step->peak);
    if (pass_check_step(&job->pass, step, &why) != RB_OK) {
      session_note(&job->session, "Left out: %s", why.message);
      continue;
    }
    job->session.time.total_s += session_step_s(step);
    job->n_steps++;
  }
  return RB_OK;
}

// A loop is the one place where a sound system that converts the rate behind one's back can be told
// from the amplifier. Rigs that are not paced are no cards.
static rb_status tell_resampling(bench_session *session, const double drive_dbfs[2], rb_err *err)
{
  const rb_rig_caps *caps = rb_guard_caps(session->guard);
  rb_rate_check found;
  if (!caps->paced)
    return RB_OK;
  session_stage(session, "checking that the path keeps the sample rate");
  RB_TRY(rb_guard_check_rate(session->guard, rb_ratio_from_db(fmin(drive_dbfs[0], drive_dbfs[1])),
                             session->cancel, session->arena, &found, err));
  if (found.resamples)
    session_note(session,
                 "The sound system converts the rate: it runs at %g Hz and not at %g Hz (images at "
                 "%.0f dB). Set the bench or the sound server to one rate; until then do not trust "
                 "distortion readings.",
                 found.other_rate_hz, caps->rate_hz, found.image_db);
  return RB_OK;
}

static rb_status play_plan(flooring *job, const rb_plan *plan, rb_err *err)
{
  bench_session *session = &job->session;
  double drive_dbfs[2] = {0, 0};
  RB_TRY(rb_guard_open(&session->bench, NULL, 0, &session->guard, err));
  session_stage(session, "finding the drive at which the input hears what it hears at %g W",
                plan->reference_power_w);
  RB_TRY(rb_guard_find_level(session->guard, plan->reference_hz, plan->reference_power_w, RB_BOTH,
                             session->cancel, session->arena, drive_dbfs, err));
  RB_TRY(tell_resampling(session, drive_dbfs, err));
  job->pass.session = session;
  job->pass.reference_power_w = plan->reference_power_w;
  for (unsigned c = 0; c < 2; c++)
    job->pass.reference_peak[c] = rb_ratio_from_db(drive_dbfs[c]);
  RB_TRY(choose_steps(job, plan, err));
  job->pass.arena = session->arena;
  return pass_take(&job->pass, job->steps, job->n_steps, err);
}

static rb_status keep_floors(const flooring *job, rb_book *book, rb_results *floors, rb_err *err)
{
  for (size_t i = 0; i < job->pass.results.n_readings; i++) {
    const rb_reading *reading = &job->pass.results.readings[i];
    if (is_floor(reading->key) && rb_results_add(floors, reading) != RB_OK)
      return rb_fail(err, RB_NO_MEM, "Out of memory for readings.");
  }
  return rb_book_add_floors(book, floors, err);
}

rb_status rb_runner_floor(rb_book *book, const rb_plan *plan, const rb_cancel *cancel,
                          const rb_watcher *watcher, rb_results *floors, rb_err *err)
{
  rb_arena *arena = rb_arena_new(0);
  flooring *job = arena ? rb_arena_alloc(arena, 1, sizeof *job) : NULL;
  if (!job) {
    rb_arena_free(arena);
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  }
  job->session = (bench_session){
      .clock = rb_clock_system(), .cancel = cancel, .watcher = watcher, .arena = arena};
  job->session.floors = rb_results_in(arena); // a floor is not held against an older one
  rb_status status = rb_book_bench(book, &job->session.bench, err);
  if (status == RB_OK)
    status = play_plan(job, plan, err);
  if (status == RB_OK)
    status = keep_floors(job, book, floors, err);
  rb_guard_close(job->session.guard);
  rb_arena_free(arena);
  return status;
}
