// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/amplifier.h"

#include <string.h>

static const char *const role_names[] = {
    [RB_VOLTAGE_AMPLIFIER] = "voltage amplifier",
    [RB_CATHODE_FOLLOWER] = "cathode follower",
    [RB_PHASE_INVERTER] = "phase inverter",
    [RB_OUTPUT_PUSH] = "output (push)",
    [RB_OUTPUT_PULL] = "output (pull)",
    [RB_SUPPLY_FILTER] = "supply filter",
    [RB_RECTIFIER] = "rectifier",
};
_Static_assert(RB_LEN(role_names) == RB_ROLE_COUNT, "one name a role");

const char *rb_role_name(rb_role role)
{
  return (unsigned)role < RB_ROLE_COUNT ? role_names[role] : "unknown";
}

rb_status rb_role_from_name(const char *name, rb_role *role)
{
  for (unsigned i = 0; i < RB_ROLE_COUNT; i++)
    if (strcmp(name, role_names[i]) == 0) {
      *role = (rb_role)i;
      return RB_OK;
    }
  return RB_BAD_ARG;
}

const rb_socket *rb_amplifier_socket(const rb_amplifier *amplifier, const char *name)
{
  for (size_t i = 0; i < amplifier->n_sockets; i++)
    if (strcmp(amplifier->sockets[i].name, name) == 0)
      return &amplifier->sockets[i];
  return NULL;
}

const rb_fitting *rb_lineup_fitting(const rb_lineup *lineup, const char *socket)
{
  for (size_t i = 0; i < lineup->n_fittings; i++)
    if (strcmp(lineup->fittings[i].socket, socket) == 0)
      return &lineup->fittings[i];
  return NULL;
}
