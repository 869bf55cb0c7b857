// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/simulated.h"
#include "rollbook/base/random.h"

#include <math.h>
#include <string.h>

static const rb_socket sockets[RB_AMP_SOCKETS] = {
    {"V1", RB_VOLTAGE_AMPLIFIER, RB_LEFT, "6SL7"},  {"V2", RB_PHASE_INVERTER, RB_LEFT, "6SN7"},
    {"V3", RB_OUTPUT_PUSH, RB_LEFT, "EL34"},        {"V4", RB_OUTPUT_PULL, RB_LEFT, "EL34"},
    {"V5", RB_VOLTAGE_AMPLIFIER, RB_RIGHT, "6SL7"}, {"V6", RB_PHASE_INVERTER, RB_RIGHT, "6SN7"},
    {"V7", RB_OUTPUT_PUSH, RB_RIGHT, "EL34"},       {"V8", RB_OUTPUT_PULL, RB_RIGHT, "EL34"},
    {"V9", RB_SUPPLY_FILTER, RB_BOTH, "EL34"},
};

const rb_socket *rb_amp_sockets(size_t *n_sockets)
{
  *n_sockets = RB_LEN(sockets);
  return sockets;
}

rb_amplifier rb_amp_model(void)
{
  rb_amplifier model = {.name = "Simulated amplifier",
                        .note = "Invented: the simulated push-pull amplifier.",
                        .rated_power_w = 40,
                        .n_sockets = RB_AMP_SOCKETS};
  memcpy(model.sockets, sockets, sizeof sockets);
  return model;
}

typedef struct part {
  const char *name, *meaning;
  double value;
  size_t offset;
} part;

static const part parts[] = {
#define PART(name, value, meaning) {#name, meaning, value, offsetof(rb_amp_parts, name)},
#include "rollbook/amp/parts.def"
#undef PART
};

rb_amp_parts rb_amp_parts_default(void)
{
  return (rb_amp_parts){
#define PART(name, value, meaning) .name = (value),
#include "rollbook/amp/parts.def"
#undef PART
  };
}

void rb_amp_part_names(rb_text *text)
{
  for (size_t i = 0; i < RB_LEN(parts); i++)
    rb_text_printf(text, "%-24s %-10g %s\n", parts[i].name, parts[i].value, parts[i].meaning);
}

rb_amp_setup rb_amp_setup_default(void)
{
  rb_amp_setup setup = {.load_ohm = 8, .mains_hz = 50, .mains_ratio = 1, .since_power_on_s = 1e9};
  for (unsigned c = 0; c < RB_AMP_CHANNELS; c++)
    setup.parts[c] = rb_amp_parts_default();
  for (unsigned i = 0; i < RB_AMP_SOCKETS; i++)
    setup.tubes[i] = rb_tube_bogey(rb_tube_type_named(sockets[i].type));
  return setup;
}

static rb_status unknown_part(const char *name, rb_err *err)
{
  char list[400] = "";
  for (size_t i = 0; i < RB_LEN(parts); i++) {
    rb_text_copy(list + strlen(list), sizeof list - strlen(list), i ? " " : "");
    rb_text_copy(list + strlen(list), sizeof list - strlen(list), parts[i].name);
  }
  return rb_fail(err, RB_BAD_ARG, "The simulated amplifier has no part '%.40s'. Parts: %s", name,
                 list);
}

/// The bias alone is negative, and shares are below 1; nothing else may be zero or less.
static bool in_range(const char *name, double value)
{
  if (strcmp(name, "bias_v") == 0)
    return value >= -200 && value <= 0;
  if (strcmp(name, "screen_tap") == 0 || strcmp(name, "filter_ratio") == 0)
    return value > 0 && value < 1;
  return value > 0 && value <= 1e15;
}

rb_status rb_amp_set_part(rb_amp_setup *setup, const char *name, double value, rb_err *err)
{
  unsigned channels = 3;
  const char *plain = name;
  if (strncmp(name, "left.", 5) == 0 || strncmp(name, "right.", 6) == 0) {
    channels = name[0] == 'l' ? 1 : 2;
    plain = strchr(name, '.') + 1;
  }
  for (size_t i = 0; i < RB_LEN(parts); i++) {
    if (strcmp(parts[i].name, plain) != 0)
      continue;
    if (!in_range(plain, value))
      return rb_fail(err, RB_BAD_ARG, "A %s of %g is out of its range; usual is %g.", plain, value,
                     parts[i].value);
    for (unsigned c = 0; c < RB_AMP_CHANNELS; c++)
      if (channels & (1u << c))
        memcpy((char *)&setup->parts[c] + parts[i].offset, &value, sizeof value);
    return RB_OK;
  }
  return unknown_part(name, err);
}

/// The socket of the simulated amplifier that stands for one of the line-up's amplifier, or −1.
static int socket_like(const rb_socket *wanted)
{
  for (unsigned i = 0; i < RB_AMP_SOCKETS; i++)
    if (sockets[i].role == wanted->role && sockets[i].channel == wanted->channel)
      return (int)i;
  return -1;
}

static rb_status fit_one(rb_amp_setup *setup, const rb_lineup *lineup, const rb_fitting *fitting,
                         uint64_t seed, uint64_t sitting_seed, rb_err *err)
{
  const rb_socket *socket = rb_amplifier_socket(&lineup->amplifier, fitting->socket);
  const int at = socket ? socket_like(socket) : -1;
  if (at < 0)
    return RB_OK; // an amplifier with more sockets than the simulated one
  rb_tube_truth truth;
  RB_TRY(rb_tube_truth_of(&fitting->tube, seed, &truth, err));
  const bool pentode = rb_tube_type_named(sockets[at].type)->kind == RB_PENTODE;
  if (at != RB_AMP_FILTER && pentode != (truth.type->kind == RB_PENTODE))
    return rb_fail(err, RB_BAD_ARG, "Tube '%s' is a %s: it does not fit socket %s, made for %s.",
                   fitting->tube.label, truth.type->name, fitting->socket, sockets[at].type);
  rb_random place = rb_random_seeded(sitting_seed * RB_AMP_SOCKETS + (unsigned)at);
  if (sitting_seed)
    rb_tube_reseat(&truth, rb_random_bits(&place));
  setup->tubes[at] = truth;
  if (pentode && at != RB_AMP_FILTER)
    setup->idle_a[at] = fitting->bias_ma > 0 ? fitting->bias_ma / 1000 : 0;
  return RB_OK;
}

rb_status rb_amp_setup_fit(rb_amp_setup *setup, const rb_lineup *lineup, uint64_t seed,
                           uint64_t sitting_seed, rb_err *err)
{
  for (size_t i = 0; i < lineup->n_fittings; i++)
    RB_TRY(fit_one(setup, lineup, &lineup->fittings[i], seed, sitting_seed, err));
  return RB_OK;
}
