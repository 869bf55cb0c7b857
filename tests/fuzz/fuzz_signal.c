// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/procedures/procedure.h"
#include "rollbook/stimulus/signal.h"

#include <stdint.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n_bytes);

static void must(bool holds)
{
  if (!holds)
    abort();
}

// A refusal has words; what is accepted keeps the promises of the header.
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n_bytes)
{
  rb_signal signal;
  rb_plan plan;
  rb_err err = {0};
  const rb_procedure *procedure = NULL;
  if (rb_signal_parse("fuzz.ini", (const char *)bytes, n_bytes, &signal, &err) != RB_OK)
    must(err.message[0]);
  else if (rb_procedure_for(&signal, &procedure, &err) == RB_OK)
    for (size_t i = 0; i < procedure->n_parameters; i++) {
      const rb_parameter *p = &procedure->parameters[i];
      double value = rb_procedure_value(procedure, &signal, p->name);
      must(value >= p->lowest && value <= p->highest);
    }
  err = (rb_err){0};
  if (rb_plan_parse("fuzz.ini", (const char *)bytes, n_bytes, &plan, &err) != RB_OK)
    must(err.message[0]);
  else
    for (size_t i = 0; i < plan.n_steps; i++)
      must(plan.steps[i].power_w >= 0 && plan.steps[i].power_w <= 1000);
  return 0;
}
