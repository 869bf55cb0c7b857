// SPDX-License-Identifier: GPL-3.0-or-later
#include "analyser.h"

static void *analyse(void *payload)
{
  analyser *job = payload;
  job->status =
      job->step->procedure->analyse(&job->analysis, job->capture, &job->results, &job->err);
  return NULL;
}

rb_status analyser_start(analyser *job, const bench_session *session, const ready_step *step,
                         rb_capture *capture, const rb_located *located, rb_err *err)
{
  *job = (analyser){.step = step, .located = *located, .capture = capture};
  job->arena = rb_arena_new(0);
  if (!job->arena)
    return rb_fail(err, RB_NO_MEM, "Out of memory for an analysis.");
  job->results = rb_results_in(job->arena);
  job->analysis = step_analysis(session, step, &job->located);
  if (pthread_create(&job->thread, NULL, analyse, job) != 0) {
    rb_arena_free(job->arena);
    job->arena = NULL;
    return rb_fail(err, RB_NO_MEM, "The system gave no thread for an analysis.");
  }
  job->running = true;
  return RB_OK;
}

static rb_status append(const rb_results *from, rb_results *to)
{
  for (size_t i = 0; i < from->n_readings; i++)
    RB_TRY(rb_results_add(to, &from->readings[i]));
  for (size_t i = 0; i < from->n_curves; i++)
    RB_TRY(rb_results_add_curve(to, &from->curves[i]));
  return RB_OK;
}

rb_status analyser_finish(analyser *job, rb_results *results, rb_err *err)
{
  if (!job->running)
    return RB_OK;
  pthread_join(job->thread, NULL);
  job->running = false;
  rb_status status = job->status;
  if (status != RB_OK)
    rb_fail(err, status, "%s", job->err.message);
  else if (results && (status = append(&job->results, results)) != RB_OK)
    rb_fail(err, status, "Out of memory for readings.");
  rb_arena_free(job->arena);
  job->arena = NULL;
  return status;
}
