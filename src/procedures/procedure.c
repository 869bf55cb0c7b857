// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/procedures/procedure.h"

#include "rollbook/base/text.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

#define PROCEDURE(name) extern const rb_procedure rb_procedure_##name;
#include "procedures.def"
#undef PROCEDURE

static const rb_procedure *const procedures[] = {
#define PROCEDURE(name) &rb_procedure_##name,
#include "procedures.def"
#undef PROCEDURE
};

const rb_procedure *const *rb_procedures(size_t *n)
{
  *n = RB_LEN(procedures);
  return procedures;
}

const rb_procedure *rb_procedure_find(const char *name)
{
  for (size_t i = 0; i < RB_LEN(procedures); i++)
    if (strcmp(procedures[i]->name, name) == 0)
      return procedures[i];
  return NULL;
}

static const rb_parameter *parameter_of(const rb_procedure *procedure, const char *name)
{
  for (size_t i = 0; i < procedure->n_parameters; i++)
    if (strcmp(procedure->parameters[i].name, name) == 0)
      return &procedure->parameters[i];
  return NULL;
}

static rb_status unknown_setting(const rb_procedure *procedure, const rb_signal *signal,
                                 const rb_setting *setting, rb_err *err)
{
  rb_text names = {0};
  for (size_t i = 0; i < procedure->n_parameters; i++)
    rb_text_printf(&names, "%s%s", i ? ", " : "", procedure->parameters[i].name);
  rb_status status = rb_fail(err, RB_FORMAT, "%s, line %d: procedure '%s' knows %s; not '%s'.",
                             signal->file, setting->line, procedure->name,
                             names.bytes ? names.bytes : "no settings", setting->name);
  rb_text_free(&names);
  return status;
}

rb_status rb_procedure_check(const rb_procedure *procedure, const rb_signal *signal, rb_err *err)
{
  for (size_t i = 0; i < signal->n_settings; i++) {
    const rb_setting *setting = &signal->settings[i];
    const rb_parameter *p = parameter_of(procedure, setting->name);
    double value = 0;
    if (!p)
      return unknown_setting(procedure, signal, setting, err);
    RB_TRY(rb_signal_number(signal, p->name, p->lowest, p->highest, p->fallback, &value, err));
  }
  return RB_OK;
}

rb_status rb_procedure_for(const rb_signal *signal, const rb_procedure **procedure, rb_err *err)
{
  *procedure = rb_procedure_find(signal->procedure);
  if (*procedure)
    return rb_procedure_check(*procedure, signal, err);
  rb_text names = {0};
  for (size_t i = 0; i < RB_LEN(procedures); i++)
    rb_text_printf(&names, "%s%s", i ? ", " : "", procedures[i]->name);
  rb_status status = rb_fail(err, RB_FORMAT, "%s: there is no procedure '%s'. There are: %s.",
                             signal->file, signal->procedure, names.bytes ? names.bytes : "none");
  rb_text_free(&names);
  return status;
}

double rb_procedure_value(const rb_procedure *procedure, const rb_signal *signal, const char *name)
{
  const rb_parameter *p = parameter_of(procedure, name);
  assert(p && "a procedure reads only settings that stand in its table");
  double value = p->fallback;
  if (rb_signal_number(signal, name, p->lowest, p->highest, p->fallback, &value, NULL) != RB_OK)
    return p->fallback;
  return value;
}

void rb_condition(char condition[RB_CONDITION_SIZE], const char *signal, double power_w,
                  rb_channel drive)
{
  static const char *const driven[] = {
      [RB_LEFT] = ", left driven", [RB_RIGHT] = ", right driven", [RB_BOTH] = ""};
  if (power_w > 0)
    snprintf(condition, RB_CONDITION_SIZE, "%s %.6g W%s", signal, power_w, driven[drive]);
  else
    snprintf(condition, RB_CONDITION_SIZE, "%s%s", signal, power_w < 0 ? driven[drive] : "");
}
