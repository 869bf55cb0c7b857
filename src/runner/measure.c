// SPDX-License-Identifier: GPL-3.0-or-later
#include "pass.h"
#include "warm_up.h"

#include "rollbook/base/build_info.h"
#include "rollbook/base/text.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double probe_pause_s = 15;
// The level is found again where the gain moved more than this while warming up.
static const double moved_db = 0.05;

typedef struct measuring {
  const rb_run *run;
  bench_session session;
  rb_sitting *sitting;
  ready_step steps[RB_MAX_STEPS];
  warm_up gate;
  pass_run pass;
  bool settled;
} measuring;

static double utc_s(const measuring *m)
{
  return m->session.clock->utc_s(m->session.clock->payload);
}

static double since_power_on_s(const measuring *m)
{
  const double known_s = rb_guard_since_power_on_s(m->session.guard);
  return known_s >= 0 ? known_s : fmax(utc_s(m) - m->sitting->powered_on_utc_s, 0);
}

// ---- before any sound ---------------------------------------------------------------------------

static rb_status check_powers(const rb_plan *plan, const rb_bench *bench, rb_err *err)
{
  double most_w = plan->reference_power_w;
  for (size_t i = 0; i < plan->n_steps; i++)
    most_w = fmax(most_w, plan->steps[i].power_w);
  if (most_w <= bench->ceiling_w)
    return RB_OK;
  return rb_fail(err, RB_UNSAFE,
                 "Plan '%s' asks for %g W; the bench's ceiling is %g W. Nothing was played. Raise "
                 "the ceiling with `rollbook bench set` if amplifier and load can take it.",
                 plan->name, most_w, bench->ceiling_w);
}

static rb_status prepare_steps(measuring *m, rb_err *err)
{
  const rb_plan *plan = m->run->plan;
  double pass_s = 0;
  for (size_t i = 0; i < plan->n_steps; i++) {
    RB_TRY(step_prepare(&m->session, plan->file, &plan->steps[i], &m->steps[i], err));
    pass_s += session_step_s(&m->steps[i]);
  }
  RB_TRY(warm_up_prepare(&m->session, plan->reference_hz, plan->reference_power_w, &m->gate, err));
  const double probes_s = 3 * session_step_s(&m->gate.probe);
  m->session.time.total_s = pass_s * m->run->n_passes + probes_s;
  return RB_OK;
}

static rb_status open_session(measuring *m, rb_err *err)
{
  const rb_run *run = m->run;
  RB_TRY(rb_book_bench(run->book, &m->session.bench, err));
  RB_TRY(check_powers(run->plan, &m->session.bench, err));
  m->session.floors = rb_results_in(m->session.arena);
  RB_TRY(rb_book_floors(run->book, &m->session.floors, err));
  RB_TRY(rb_guard_open(&m->session.bench, run->lineup, run->sitting_seed, &m->session.guard, err));
  if (rb_guard_caps(m->session.guard)->note[0])
    session_note(&m->session, "Sound card: %s.", rb_guard_caps(m->session.guard)->note);
  return prepare_steps(m, err);
}

// ---- warm-up and level --------------------------------------------------------------------------

static rb_status find_level(measuring *m, rb_err *err)
{
  const rb_plan *plan = m->run->plan;
  pass_run *pass = &m->pass;
  session_stage(&m->session, "finding the level: %g W at %g Hz", plan->reference_power_w,
                plan->reference_hz);
  RB_TRY(rb_guard_find_level(m->session.guard, plan->reference_hz, plan->reference_power_w, RB_BOTH,
                             m->run->cancel, m->session.arena, m->sitting->drive_dbfs, err));
  pass->session = &m->session;
  pass->reference_power_w = plan->reference_power_w;
  for (unsigned c = 0; c < 2; c++)
    pass->reference_peak[c] = rb_ratio_from_db(m->sitting->drive_dbfs[c]);
  for (size_t i = 0; i < plan->n_steps; i++) {
    pass_peaks(pass, &m->steps[i].step, m->steps[i].peak);
    RB_TRY(pass_check_step(pass, &m->steps[i], err));
  }
  pass_peaks(pass, &m->gate.probe.step, m->gate.probe.peak);
  return RB_OK;
}

static rb_status probe(measuring *m, rb_err *err)
{
  RB_TRY(warm_up_probe(&m->session, &m->gate, since_power_on_s(m), err));
  m->settled = warm_up_settled(&m->gate) && since_power_on_s(m) >= m->run->least_warm_up_s;
  return RB_OK;
}

static rb_status wait_for_least(measuring *m, rb_err *err)
{
  const double left_s = m->run->least_warm_up_s - since_power_on_s(m);
  m->session.time.waiting_s =
      fmax(left_s, 0) + 2 * probe_pause_s + m->run->pause_s * fmax((double)m->run->n_passes - 1, 0);
  if (left_s <= 0)
    return RB_OK;
  session_stage(&m->session, "warming up: %.0f s to go", left_s);
  return session_wait(&m->session, left_s, err);
}

static bool gain_moved(const measuring *m)
{
  const size_t last = m->gate.n - 1;
  return fabs(m->gate.gain_db[0][last] - m->gate.gain_db[0][0]) > moved_db ||
         fabs(m->gate.gain_db[1][last] - m->gate.gain_db[1][0]) > moved_db;
}

static rb_status warm_up_and_level(measuring *m, rb_err *err)
{
  RB_TRY(wait_for_least(m, err));
  RB_TRY(find_level(m, err));
  if (m->run->most_warm_up_s <= m->run->least_warm_up_s)
    return RB_OK;
  session_stage(&m->session, "watching the gain until it holds still");
  RB_TRY(probe(m, err));
  while (!m->settled && since_power_on_s(m) + probe_pause_s < m->run->most_warm_up_s) {
    RB_TRY(session_wait(&m->session, probe_pause_s, err));
    RB_TRY(probe(m, err));
  }
  if (!m->settled)
    session_note(&m->session, "The gain has not settled; the readings are marked as such.");
  return gain_moved(m) ? find_level(m, err) : RB_OK;
}

// ---- the sitting and its passes -----------------------------------------------------------------

static void fill_sitting(measuring *m)
{
  const rb_run *run = m->run;
  rb_sitting *sitting = m->sitting;
  *sitting = (rb_sitting){.lineup_id = run->lineup->id,
                          .mains_vrms = run->mains_vrms,
                          .room_degc = run->room_degc,
                          .bench = m->session.bench};
  const double on_s = rb_guard_since_power_on_s(m->session.guard);
  const double entered_s = run->powered_on_utc_s > 0 ? run->powered_on_utc_s : utc_s(m);
  sitting->powered_on_utc_s = on_s >= 0 ? utc_s(m) - on_s : entered_s;
  rb_clock_utc_text(utc_s(m), sitting->started_at);
  if (run->note)
    rb_text_copy(sitting->note, sizeof sitting->note, run->note);
}

static rb_status keep_pass(measuring *m, rb_pass *pass, rb_err *err)
{
  pass_run *taken = &m->pass;
  if (warm_up_add_readings(&m->gate, &taken->results) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory for readings.");
  pass->settled = m->settled;
  RB_TRY(rb_book_add_pass(m->run->book, pass, &taken->results, taken->captures, taken->n_captures,
                          err));
  session_tell(&m->session,
               &(rb_event){.kind = RB_EVENT_PASS, .pass = pass, .results = &taken->results});
  return RB_OK;
}

static rb_status take_pass(measuring *m, rb_err *err)
{
  rb_pass pass = {.sitting_id = m->sitting->id, .since_power_on_s = since_power_on_s(m)};
  const rb_build_info *build = rb_build();
  rb_text_copy(pass.plan, sizeof pass.plan, m->run->plan->name);
  rb_clock_utc_text(utc_s(m), pass.started_at);
  snprintf(pass.program, sizeof pass.program, "rollbook %s (%s, %s)", build->version, build->kind,
           build->compiler);
  if (!m->settled && m->gate.n)
    RB_TRY(probe(m, err));
  m->pass.arena = rb_arena_new(0);
  if (!m->pass.arena)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a pass.");
  rb_status status = pass_take(&m->pass, m->steps, m->run->plan->n_steps, err);
  if (status == RB_OK)
    status = keep_pass(m, &pass, err);
  rb_arena_free(m->pass.arena);
  m->pass.arena = NULL;
  return status;
}

static rb_status measure_in(measuring *m, rb_err *err)
{
  RB_TRY(open_session(m, err));
  fill_sitting(m);
  RB_TRY(warm_up_and_level(m, err));
  RB_TRY(rb_book_add_sitting(m->run->book, m->sitting, err));
  for (unsigned i = 0; i < m->run->n_passes; i++) {
    if (i && m->run->pause_s > 0) {
      session_stage(&m->session, "pause");
      RB_TRY(session_wait(&m->session, m->run->pause_s, err));
    }
    m->pass.number = i + 1;
    m->pass.n_passes = m->run->n_passes;
    RB_TRY(take_pass(m, err));
  }
  return RB_OK;
}

rb_status rb_runner_measure(const rb_run *run, rb_sitting *sitting, rb_err *err)
{
  *sitting = (rb_sitting){.id = 0};
  rb_arena *arena = rb_arena_new(0);
  measuring *m = arena ? rb_arena_alloc(arena, 1, sizeof *m) : NULL;
  if (!m) {
    rb_arena_free(arena);
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  }
  *m = (measuring){.run = run, .sitting = sitting};
  m->session = (bench_session){.clock = run->clock ? run->clock : rb_clock_system(),
                               .cancel = run->cancel,
                               .watcher = &run->watcher,
                               .arena = arena};
  rb_status status = measure_in(m, err);
  rb_guard_close(m->session.guard);
  rb_arena_free(arena);
  return status;
}
