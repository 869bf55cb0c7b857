// SPDX-License-Identifier: GPL-3.0-or-later
#include "card_protocol.h"
#include "rollbook/base/text.h"

#include <stdlib.h>
#include <string.h>

// "3" is a device's number; any other text its name.
static int number_of(const char *name)
{
  size_t digits = strspn(name, "0123456789");
  return digits > 0 && digits < 5 && !name[digits] ? atoi(name) : -1;
}

static rb_status set_name(char to[CARD_NAME_SIZE], const char *value, rb_err *err)
{
  if (!rb_text_copy(to, CARD_NAME_SIZE, value))
    return rb_fail(err, RB_BAD_ARG, "card: a device name has at most %d bytes.",
                   CARD_NAME_SIZE - 1);
  return RB_OK;
}

static rb_status set_both(card_spec *spec, const char *value, rb_err *err)
{
  RB_TRY(set_name(spec->in, value, err));
  return set_name(spec->out, value, err);
}

static rb_status set_in(card_spec *spec, const char *value, rb_err *err)
{
  return set_name(spec->in, value, err);
}

static rb_status set_out(card_spec *spec, const char *value, rb_err *err)
{
  return set_name(spec->out, value, err);
}

static rb_status set_api(card_spec *spec, const char *value, rb_err *err)
{
  return set_name(spec->api, value, err);
}

static rb_status set_frames(card_spec *spec, const char *value, rb_err *err)
{
  double frames;
  if (!rb_text_to_number(value, &frames) || !(frames >= 16 && frames <= 16384))
    return rb_fail(err, RB_BAD_ARG, "card: frames=%s is not a number from 16 to 16384.", value);
  spec->frames = (unsigned)frames;
  return RB_OK;
}

static rb_status set_latency(card_spec *spec, const char *value, rb_err *err)
{
  double latency_ms;
  if (!rb_text_to_number(value, &latency_ms) || !(latency_ms >= 1 && latency_ms <= 2000))
    return rb_fail(err, RB_BAD_ARG, "card: latency_ms=%s is not a number from 1 to 2000.", value);
  spec->latency_s = latency_ms / 1000;
  return RB_OK;
}

static rb_status set_paced(card_spec *spec, const char *value, rb_err *err)
{
  if (strcmp(value, "no") != 0 && strcmp(value, "yes") != 0)
    return rb_fail(err, RB_BAD_ARG, "card: paced=%s is neither yes nor no.", value);
  spec->paced = strcmp(value, "yes") == 0;
  return RB_OK;
}

static const struct {
  const char *name;
  rb_status (*set)(card_spec *spec, const char *value, rb_err *err);
} settings[] = {
    {"name", set_both},   {"in", set_in},         {"out", set_out},
    {"api", set_api},     {"frames", set_frames}, {"latency_ms", set_latency},
    {"paced", set_paced},
};

static rb_status apply(card_spec *spec, char *part, rb_err *err)
{
  char *equals = strchr(part, '=');
  if (!equals)
    return set_both(spec, part, err);
  *equals = '\0';
  for (size_t i = 0; i < RB_LEN(settings); i++)
    if (strcmp(part, settings[i].name) == 0)
      return settings[i].set(spec, equals + 1, err);
  // A device's own name may hold "=": then it is not one of ours.
  *equals = '=';
  return set_both(spec, part, err);
}

rb_status card_spec_parse(const char *rest, card_spec *spec, rb_err *err)
{
  *spec = (card_spec){.in_number = -1, .out_number = -1, .paced = true};
  char copy[512];
  if (!rb_text_copy(copy, sizeof copy, rest))
    return rb_fail(err, RB_BAD_ARG, "card: what stands behind it has at most %zu bytes.",
                   sizeof copy - 1);
  char *left = NULL;
  for (char *part = strtok_r(copy, ";", &left); part; part = strtok_r(NULL, ";", &left))
    RB_TRY(apply(spec, part, err));
  spec->in_number = number_of(spec->in);
  spec->out_number = number_of(spec->out);
  return RB_OK;
}
