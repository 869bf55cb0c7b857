// SPDX-License-Identifier: GPL-3.0-or-later
#include "sim_options.h"

#include "rollbook/base/text.h"

#include <string.h>

typedef struct option {
  const char *name;
  size_t offset;
  double value, lowest, highest;
} option;

#define O(name) #name, offsetof(sim_options, name)

static const option table[] = {
    {O(seed), 1, 0, 9e15},
    {O(mains_hz), 50, 40, 70},
    {"mains_drift", offsetof(sim_options, mains_drift_hz), 0.005, 0, 1},
    {O(mains_ratio), 0, 0, 1.3},
    {O(clock_ppm), 0, -1000, 1000},
    {O(latency_ms), 8.3137, 2, 1000},
    {O(polarity), 1, -1, 1},
    {O(bits), 24, 8, 32},
    {O(pot), 0.35355339, 0, 1},
    {O(dac_vpeak), 2.8284271, 0.01, 20},
    {O(adc_vpeak), 2, 0.01, 100},
    {O(attenuator), 20, 1, 1000},
    {"dac_noise", offsetof(sim_options, dac_noise_dbfs), -118, -200, 0},
    {"adc_noise", offsetof(sim_options, adc_noise_dbfs), -112, -200, 0},
    {O(ac_hz), 0.5, 0, 20},
    {O(warm_s), 0, 0, 1e9},
    {O(speaker), 0, 0, 1},
    {O(loopback), 0, 0, 1},
    {O(internal_rate), 0, 0, 800000},
};

static void put(sim_options *options, const option *row, double value)
{
  memcpy((char *)options + row->offset, &value, sizeof value);
}

static rb_status unknown(const char *name, rb_err *err)
{
  char list[320] = "";
  for (size_t i = 0; i < RB_LEN(table); i++) {
    rb_text_copy(list + strlen(list), sizeof list - strlen(list), table[i].name);
    rb_text_copy(list + strlen(list), sizeof list - strlen(list), " ");
  }
  return rb_fail(err, RB_BAD_ARG,
                 "The simulated rig has no option '%.40s'. It has: %sand the amplifier's parts, as "
                 "inverter_load_b or left.c1.",
                 name, list);
}

static rb_status set(const char *name, double value, sim_options *options, rb_amp_setup *setup,
                     rb_err *err)
{
  for (size_t i = 0; i < RB_LEN(table); i++) {
    if (strcmp(table[i].name, name) != 0)
      continue;
    if (!(value >= table[i].lowest && value <= table[i].highest))
      return rb_fail(err, RB_BAD_ARG, "The simulated rig's %s of %g is out of its range %g to %g.",
                     name, value, table[i].lowest, table[i].highest);
    put(options, &table[i], value);
    return RB_OK;
  }
  rb_err part_error = {.status = RB_OK};
  const rb_status status = rb_amp_set_part(setup, name, value, &part_error);
  if (status == RB_OK)
    return RB_OK;
  if (strstr(part_error.message, "has no part"))
    return unknown(name, err);
  return rb_fail(err, status, "%s", part_error.message);
}

rb_status sim_options_read(const char *text, sim_options *options, rb_amp_setup *setup, rb_err *err)
{
  for (size_t i = 0; i < RB_LEN(table); i++)
    put(options, &table[i], table[i].value);
  while (*text) {
    char entry[96];
    const size_t length = strcspn(text, ";");
    double value;
    if (length >= sizeof entry)
      return rb_fail(err, RB_BAD_ARG, "'%.40s…' is too long to be an option of the simulated rig.",
                     text);
    memcpy(entry, text, length);
    entry[length] = '\0';
    text += length + (text[length] == ';');
    char *equals = strchr(entry, '=');
    if (!entry[0])
      continue;
    if (!equals) {
      return rb_fail(err, RB_BAD_ARG, "'sim:%s' should read NAME=NUMBER;…, as sim:seed=7;bits=16.",
                     entry);
    }
    *equals = '\0';
    if (!rb_text_to_number(equals + 1, &value))
      return rb_fail(err, RB_BAD_ARG, "The simulated rig's %s of '%s' is not a number.", entry,
                     equals + 1);
    RB_TRY(set(entry, value, options, setup, err));
  }
  return RB_OK;
}
