// SPDX-License-Identifier: GPL-3.0-or-later
#include "session.h"

#include "rollbook/base/units.h"

#include <math.h>

// Volts rms a card's line input takes at full scale: 1 to 2 V (common practice, no source). Only to
// choose a level that is neither lost in noise nor near clipping; the meter says the truth.
static const double typical_input_vrms = 1.4;
static const double most_captured = 0.3; // of full scale, −10 dBFS
static const double absurd_factor = 100; // meter against what the attenuator lets expect
static const double crosstalk_ratio = 1; // the other channel may not hear it louder
// An amplifier younger than this plays too little; waited where the rig itself knows (simulated).
static const double least_on_s = 120;

typedef struct calibrating {
  const rb_calibrate *how; // with defaults filled in
  bench_session session;
  rb_calibration *found;
  double guess_vrms_per_fs;
  double power_w; // as asked, or less where it would come near the input's full scale
  rb_bench *bench;
} calibrating;

static rb_calibrate with_defaults(const rb_calibrate *how)
{
  rb_calibrate full = *how;
  full.frequency_hz = how->frequency_hz > 0 ? how->frequency_hz : 315;
  full.power_w = how->power_w > 0 ? how->power_w : 0.5;
  full.duration_s = how->duration_s > 0 ? how->duration_s : 8;
  full.meter_pct = how->meter_pct > 0 ? how->meter_pct : 0.5;
  return full;
}

// The guard finds levels on a calibrated bench; here it is told what to expect by the attenuator.
static rb_status open_guard(calibrating *job, rb_err *err)
{
  rb_bench expected = *job->bench;
  if (!(expected.attenuator_ratio >= 1))
    return rb_fail(err, RB_BAD_ARG,
                   "The bench's attenuator is entered as %g; volts at the load over volts at the "
                   "input are 1 or more. Set it with `rollbook bench set`.",
                   expected.attenuator_ratio);
  job->guess_vrms_per_fs = typical_input_vrms * expected.attenuator_ratio;
  const double most_w = rb_watts(most_captured * job->guess_vrms_per_fs, expected.load_ohm);
  job->power_w = fmin(job->how->power_w, most_w);
  expected.calibrated = true;
  expected.load_vrms_per_fs[0] = expected.load_vrms_per_fs[1] = job->guess_vrms_per_fs;
  job->session.bench = *job->bench;
  job->session.bench.calibrated = false; // what is heard is read in dBFS
  return rb_guard_open(&expected, NULL, 0, &job->session.guard, err);
}

// With a meter of its own (simulated rig) the drive is set by what that shows.
static double drive_by_meter(const calibrating *job, unsigned channel, double drive_dbfs)
{
  const double shown_vrms = rb_guard_meter_vrms(job->session.guard, channel);
  if (!(shown_vrms > 0))
    return drive_dbfs;
  const double wanted_vrms = rb_vrms_from_watts(job->how->power_w, job->bench->load_ohm);
  const double room_db = rb_db_from_ratio(most_captured * job->guess_vrms_per_fs / wanted_vrms);
  const double change_db = fmin(rb_db_from_ratio(wanted_vrms / shown_vrms), fmax(room_db, 0) + 20);
  return fmin(drive_dbfs + change_db, job->bench->ceiling_dbfs);
}

static rb_status tone_step(calibrating *job, unsigned channel, double drive_dbfs, ready_step *step,
                           rb_err *err)
{
  rb_signal signal = rb_signal_made("calibration", "Calibration tone", "tone");
  if (rb_signal_set(&signal, "frequency_hz", job->how->frequency_hz) != RB_OK ||
      rb_signal_set(&signal, "duration_s", job->how->duration_s) != RB_OK)
    return rb_fail(err, RB_BUG, "The calibration tone could not be described.");
  const rb_step asked = {
      .signal = "calibration", .power_w = job->how->power_w, .drive = (rb_channel)channel};
  RB_TRY(step_made(&job->session, &signal, &asked, step, err));
  step->peak[channel] = rb_ratio_from_db(drive_dbfs);
  job->session.time.total_s = 2 * session_step_s(step);
  return RB_OK;
}

static rb_status read_meter(calibrating *job, unsigned channel, double captured_ratio,
                            double *level_vrms, rb_err *err)
{
  const char *name = rb_channel_name((rb_channel)channel);
  *level_vrms = rb_guard_meter_vrms(job->session.guard, channel);
  job->found->by_rig_meter = *level_vrms >= 0;
  if (!job->found->by_rig_meter) {
    if (!job->how->read_meter)
      return rb_fail(err, RB_BAD_ARG, "This rig has no meter and nobody reads one.");
    rb_status status = job->how->read_meter(job->how->payload, (rb_channel)channel, level_vrms);
    if (status != RB_OK)
      return rb_fail(err, status, "No meter reading was given for %s.", name);
  }
  const double expected_vrms = captured_ratio * job->guess_vrms_per_fs;
  if (*level_vrms > expected_vrms / absurd_factor && *level_vrms < expected_vrms * absurd_factor)
    return RB_OK;
  return rb_fail(err, RB_BAD_ARG,
                 "%g V on %s cannot be: by the attenuator of %g about %.2g V are expected. Is the "
                 "meter set to volts AC, across the %s load?",
                 *level_vrms, name, job->bench->attenuator_ratio, expected_vrms, name);
}

static rb_status check_channels(const rb_results *results, unsigned channel, rb_err *err)
{
  const rb_reading *leak = rb_results_find(results, "separation", channel ? RB_LEFT : RB_RIGHT, "");
  if (!leak || leak->value > rb_db_from_ratio(crosstalk_ratio))
    return RB_OK;
  return rb_fail(err, RB_BAD_ARG,
                 "The tone played on %s came back louder on %s: left and right are swapped "
                 "somewhere. Exchange the plugs, or the channels with `rollbook bench set`.",
                 rb_channel_name((rb_channel)channel), rb_channel_name((rb_channel)!channel));
}

static rb_status take_over(calibrating *job, unsigned channel, const rb_results *results,
                           const rb_located *located, rb_err *err)
{
  RB_TRY(check_channels(results, channel, err));
  const rb_reading *level = rb_results_find(results, "level", (rb_channel)channel, "");
  if (!level)
    return rb_fail(err, RB_NO_SIGNAL, "The calibration tone was not heard on %s.",
                   rb_channel_name((rb_channel)channel));
  const double captured_ratio = rb_ratio_from_db(level->value);
  double level_vrms = 0;
  RB_TRY(read_meter(job, channel, captured_ratio, &level_vrms, err));
  const double noise_pct = 100 * (rb_ratio_from_db(level->uncertainty) - 1);
  job->found->captured_dbfs[channel] = level->value;
  job->found->load_vrms[channel] = level_vrms;
  job->bench->load_vrms_per_fs[channel] = level_vrms / captured_ratio;
  job->bench->polarity[channel] = located->polarity[channel];
  job->bench->calibration_pct =
      fmax(job->bench->calibration_pct, hypot(job->how->meter_pct, noise_pct));
  return RB_OK;
}

static rb_status one_channel(calibrating *job, unsigned channel, rb_err *err)
{
  const char *name = rb_channel_name((rb_channel)channel);
  bench_session *session = &job->session;
  double drive_dbfs[2] = {0, 0};
  session_stage(session, "finding a level for the calibration tone, %s", name);
  RB_TRY(rb_guard_find_level(session->guard, job->how->frequency_hz, job->power_w,
                             (rb_channel)channel, session->cancel, session->arena, drive_dbfs,
                             err));
  job->found->drive_dbfs[channel] = drive_by_meter(job, channel, drive_dbfs[channel]);
  ready_step step;
  RB_TRY(tone_step(job, channel, job->found->drive_dbfs[channel], &step, err));
  session_stage(session, "%g Hz for %.0f s: read your meter across the %s load",
                job->how->frequency_hz, job->how->duration_s, name);
  rb_capture capture;
  rb_located located;
  rb_results results = rb_results_in(session->arena);
  RB_TRY(session_play(session, &step, session->arena, &capture, &located, err));
  const rb_analysis analysis = step_analysis(session, &step, &located);
  RB_TRY(step.procedure->analyse(&analysis, &capture, &results, err));
  return take_over(job, channel, &results, &located, err);
}

static rb_status wait_for_heaters(calibrating *job, rb_err *err)
{
  const double on_s = rb_guard_since_power_on_s(job->session.guard);
  if (on_s < 0 || on_s >= least_on_s)
    return RB_OK;
  session_stage(&job->session, "warming up: %.0f s to go", least_on_s - on_s);
  return session_wait(&job->session, least_on_s - on_s, err);
}

static rb_status both_channels(calibrating *job, rb_err *err)
{
  RB_TRY(open_guard(job, err));
  RB_TRY(wait_for_heaters(job, err));
  for (unsigned c = 0; c < 2; c++)
    RB_TRY(one_channel(job, c, err));
  job->bench->calibrated = true;
  const rb_clock *clock = job->session.clock;
  rb_clock_utc_text(clock->utc_s(clock->payload), job->bench->calibrated_at);
  return RB_OK;
}

rb_status rb_runner_calibrate(const rb_calibrate *how, rb_bench *bench, rb_calibration *calibration,
                              rb_err *err)
{
  const rb_calibrate full = with_defaults(how);
  rb_bench calibrated = *bench;
  calibrated.calibration_pct = 0;
  *calibration = (rb_calibration){.by_rig_meter = false};
  calibrating job = {.how = &full,
                     .session = {.clock = rb_clock_system(),
                                 .cancel = how->cancel,
                                 .watcher = &full.watcher,
                                 .arena = rb_arena_new(0)},
                     .found = calibration,
                     .bench = &calibrated};
  if (!job.session.arena)
    return rb_fail(err, RB_NO_MEM, "Out of memory.");
  rb_status status = both_channels(&job, err);
  rb_guard_close(job.session.guard);
  rb_arena_free(job.session.arena);
  if (status == RB_OK)
    *bench = calibrated; // on any error the bench stays as it was
  return status;
}
