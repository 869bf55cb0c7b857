// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stimulus/signal.h"

#include "ini_text.h"
#include "rollbook/base/text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

// ---- a signal file ------------------------------------------------------------------------------

static rb_setting *setting_of(rb_signal *signal, const char *name)
{
  for (size_t i = 0; i < signal->n_settings; i++)
    if (strcmp(signal->settings[i].name, name) == 0)
      return &signal->settings[i];
  return NULL;
}

static rb_status add_setting(rb_signal *signal, const ini_line *line, rb_err *err)
{
  if (setting_of(signal, line->name))
    return ini_fail(err, line, "'%s' is set twice", line->name);
  if (signal->n_settings == RB_MAX_SETTINGS)
    return ini_fail(err, line, "more than %d settings", RB_MAX_SETTINGS);
  rb_setting *setting = &signal->settings[signal->n_settings];
  if (!rb_text_copy(setting->name, sizeof setting->name, line->name))
    return ini_fail(err, line, "the name '%s' is longer than %zu bytes", line->name,
                    sizeof setting->name - 1);
  if (!rb_text_copy(setting->value, sizeof setting->value, line->value))
    return ini_fail(err, line, "the value of '%s' is longer than %zu bytes", line->name,
                    sizeof setting->value - 1);
  setting->line = line->number;
  signal->n_settings++;
  return RB_OK;
}

static rb_status signal_line(void *payload, const ini_line *line, rb_err *err)
{
  rb_signal *signal = payload;
  if (strcmp(line->section, "signal") != 0)
    return ini_fail(err, line, "a signal file has one section, [signal], not [%s]", line->section);
  if (strcmp(line->name, "title") == 0)
    return ini_take_text(line, signal->title, sizeof signal->title, err);
  if (strcmp(line->name, "procedure") == 0)
    return ini_take_text(line, signal->procedure, sizeof signal->procedure, err);
  return add_setting(signal, line, err);
}

rb_status rb_signal_parse(const char *file, const char *text, size_t n_bytes, rb_signal *signal,
                          rb_err *err)
{
  *signal = (rb_signal){0};
  RB_TRY(ini_name_of(file, signal->name, sizeof signal->name, err));
  rb_text_copy(signal->file, sizeof signal->file, file);
  RB_TRY(ini_read(file, text, n_bytes, signal_line, signal, err));
  const char *missing = !signal->title[0] ? "title" : !signal->procedure[0] ? "procedure" : NULL;
  if (missing)
    return rb_fail(err, RB_FORMAT, "%s: '%s = …' is missing under [signal].", file, missing);
  return RB_OK;
}

// ---- a plan file --------------------------------------------------------------------------------

static rb_status plan_head(rb_plan *plan, const ini_line *line, rb_err *err)
{
  if (strcmp(line->name, "title") == 0)
    return ini_take_text(line, plan->title, sizeof plan->title, err);
  if (strcmp(line->name, "reference_power_w") == 0)
    return ini_take_number(line, 1e-3, 1000, &plan->reference_power_w, err);
  if (strcmp(line->name, "reference_hz") == 0)
    return ini_take_number(line, 20, 20000, &plan->reference_hz, err);
  return ini_fail(err, line, "[plan] knows title, reference_power_w and reference_hz, not '%s'",
                  line->name);
}

// "1 W both", "1 W", "0.5 W left", "silent".
static bool step_from_text(const char *text, rb_step *step)
{
  char unit[8] = "", drive[8] = "both", number[24] = "", rest[2] = "";
  if (strcmp(text, "silent") == 0) {
    step->drive = RB_BOTH;
    return true;
  }
  int n = sscanf(text, "%23s %7s %7s %1s", number, unit, drive, rest);
  return (n == 2 || n == 3) && strcmp(unit, "W") == 0 &&
         rb_text_to_number(number, &step->power_w) && step->power_w > 0 && step->power_w <= 1000 &&
         rb_channel_from_name(drive, &step->drive) == RB_OK;
}

static rb_status plan_step(rb_plan *plan, const ini_line *line, rb_err *err)
{
  if (plan->n_steps == RB_MAX_STEPS)
    return ini_fail(err, line, "more than %d steps", RB_MAX_STEPS);
  rb_step *step = &plan->steps[plan->n_steps];
  *step = (rb_step){.line = line->number};
  if (!rb_text_copy(step->signal, sizeof step->signal, line->name))
    return ini_fail(err, line, "the signal's name '%s' is longer than %zu bytes", line->name,
                    sizeof step->signal - 1);
  if (!step_from_text(line->value, step))
    return ini_fail(err, line,
                    "'%s' is no step; write SIGNAL = POWER W, with left, right or both behind if "
                    "wanted (power above 0, at most 1000), or SIGNAL = silent",
                    line->value);
  plan->n_steps++;
  return RB_OK;
}

static rb_status plan_line(void *payload, const ini_line *line, rb_err *err)
{
  rb_plan *plan = payload;
  if (strcmp(line->section, "plan") == 0)
    return plan_head(plan, line, err);
  if (strcmp(line->section, "steps") == 0)
    return plan_step(plan, line, err);
  return ini_fail(err, line, "a plan has the sections [plan] and [steps], not [%s]", line->section);
}

rb_status rb_plan_parse(const char *file, const char *text, size_t n_bytes, rb_plan *plan,
                        rb_err *err)
{
  *plan = (rb_plan){0};
  RB_TRY(ini_name_of(file, plan->name, sizeof plan->name, err));
  rb_text_copy(plan->file, sizeof plan->file, file);
  RB_TRY(ini_read(file, text, n_bytes, plan_line, plan, err));
  if (!plan->title[0])
    return rb_fail(err, RB_FORMAT, "%s: 'title = …' is missing under [plan].", file);
  if (!plan->n_steps)
    return rb_fail(err, RB_FORMAT, "%s: there is no step under [steps].", file);
  if (plan->reference_power_w <= 0)
    plan->reference_power_w = 1;
  if (plan->reference_hz <= 0)
    plan->reference_hz = 1000;
  return RB_OK;
}

// ---- settings -----------------------------------------------------------------------------------

rb_signal rb_signal_made(const char *name, const char *title, const char *procedure)
{
  rb_signal signal = {0};
  rb_text_copy(signal.name, sizeof signal.name, name);
  rb_text_copy(signal.title, sizeof signal.title, title);
  rb_text_copy(signal.procedure, sizeof signal.procedure, procedure);
  rb_text_copy(signal.file, sizeof signal.file, name);
  return signal;
}

rb_status rb_signal_set(rb_signal *signal, const char *name, double value)
{
  rb_setting *setting = setting_of(signal, name);
  if (!setting) {
    if (signal->n_settings == RB_MAX_SETTINGS)
      return RB_BAD_ARG;
    setting = &signal->settings[signal->n_settings];
    *setting = (rb_setting){0};
    if (!rb_text_copy(setting->name, sizeof setting->name, name))
      return RB_BAD_ARG;
    signal->n_settings++;
  }
  snprintf(setting->value, sizeof setting->value, "%.17g", value);
  return RB_OK;
}

const char *rb_signal_text(const rb_signal *signal, const char *name)
{
  for (size_t i = 0; i < signal->n_settings; i++)
    if (strcmp(signal->settings[i].name, name) == 0)
      return signal->settings[i].value;
  return NULL;
}

static int line_of(const rb_signal *signal, const char *name)
{
  for (size_t i = 0; i < signal->n_settings; i++)
    if (strcmp(signal->settings[i].name, name) == 0)
      return signal->settings[i].line;
  return 0;
}

rb_status rb_signal_number(const rb_signal *signal, const char *name, double lowest, double highest,
                           double fallback, double *value, rb_err *err)
{
  const char *text = rb_signal_text(signal, name);
  *value = fallback;
  if (!text)
    return RB_OK;
  ini_line line = {
      .file = signal->file, .number = line_of(signal, name), .name = name, .value = text};
  return ini_take_number(&line, lowest, highest, value, err);
}
