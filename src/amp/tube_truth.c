// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/tube.h"
#include "rollbook/base/random.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

typedef struct truth_key {
  const char *name, *unit, *meaning;
  size_t offset;
  double lowest, highest;
} truth_key;

#define KEY(member) offsetof(rb_section_truth, member)

static const truth_key keys[] = {
    {"gm", "factor", "mutual conductance (all currents at given voltages)", KEY(gm), 0.05, 5},
    {"mu", "factor", "amplification factor", KEY(mu), 0.2, 5},
    {"cutoff", "V", "added to the grid voltage the tube feels", KEY(cutoff_v), -30, 30},
    {"emission", "factor", "wear: all currents", KEY(emission), 0.02, 2},
    {"isat", "A", "most the cathode can give; 0: no limit", KEY(isat_a), 0, 100},
    {"heater_leak", "ohm", "heater to cathode; 0: none", KEY(heater_leak_ohm), 0, 1e15},
    {"heater_rectify", "0..1", "heater leakage conducts one way", KEY(heater_rectify), 0, 1},
    {"gas", "A", "current out of the grid when hot", KEY(gas_a), 0, 1e-3},
    {"noise", "V/rtHz", "white noise at the grid", KEY(noise_v), 0, 1e-3},
    {"flicker", "Hz", "corner of the 1/f noise", KEY(flicker_hz), 0, 1e5},
    {"ring", "Hz", "microphony: resonance", KEY(ring_hz), 20, 15000},
    {"ring_decay", "s", "microphony: time to 1/e", KEY(ring_decay_s), 1e-4, 10},
    {"ring_level", "A", "microphony: plate current after a light tap", KEY(ring_a), 0, 0.1},
    {"pop_rate", "1/s", "pops", KEY(pop_rate_hz), 0, 1000},
    {"pop_level", "A", "plate current of a pop", KEY(pop_a), 0, 0.1},
    {"crackle_rate", "1/s", "bursts of crackle", KEY(crackle_rate_hz), 0, 1000},
    {"crackle_level", "A", "plate current of a crackle's impulses", KEY(crackle_a), 0, 0.1},
    {"burst_rate", "1/s", "two-level noise: switches", KEY(burst_rate_hz), 0, 1e4},
    {"burst_level", "V", "two-level noise: step at the grid", KEY(burst_v), 0, 1},
    {"loose", "1/s", "losses of contact", KEY(loose_rate_hz), 0, 100},
};

static const char coupling_key[] = "coupling_leak";

void rb_tube_truth_keys(rb_text *text)
{
  for (size_t i = 0; i < RB_LEN(keys); i++)
    rb_text_printf(text, "%-15s %-7s %s\n", keys[i].name, keys[i].unit, keys[i].meaning);
  rb_text_printf(text, "%-15s %-7s %s\n", coupling_key, "ohm",
                 "across the capacitor before the grid; 0: none");
  rb_text_add(text, "\"a.\" or \"b.\" in front of a key means one section of a twin.\n");
}

rb_tube_truth rb_tube_bogey(const rb_tube_type *type)
{
  rb_tube_truth truth = {.type = type};
  for (int s = 0; s < 2; s++)
    truth.section[s] = (rb_section_truth){.gm = 1,
                                          .mu = 1,
                                          .emission = 1,
                                          .noise_v = 14e-9,
                                          .flicker_hz = 120,
                                          .ring_hz = 1000,
                                          .ring_decay_s = 0.1};
  return truth;
}

/// FNV-1a over the bytes, going on from `hash`.
static uint64_t mix(uint64_t hash, const char *text)
{
  for (; *text; text++)
    hash = (hash ^ (unsigned char)*text) * 0x100000001B3u;
  return hash;
}

static double log_uniform(rb_random *random, double low, double high)
{
  return low * exp(rb_random_uniform(random) * log(high / low));
}

static double log_normal(rb_random *random, double median, double sd_db)
{
  return median * exp(rb_random_normal(random) * sd_db * log(10) / 20);
}

/// Two normal numbers of correlation `r`.
static void normal_pair(rb_random *random, double r, double pair[2])
{
  pair[0] = rb_random_normal(random);
  pair[1] = r * pair[0] + sqrt(1 - r * r) * rb_random_normal(random);
}

/// The spread of new tubes; the figures of noise, leakage, microphony and gas are proposals.
static void draw_new(rb_random *random, rb_tube_truth *truth)
{
  const rb_tube_spread *spread = &truth->type->spread;
  double gm[2], mu[2], cutoff[2];
  normal_pair(random, spread->sections, gm);
  normal_pair(random, spread->sections, mu);
  normal_pair(random, spread->sections, cutoff);
  for (int s = 0; s < 2; s++) {
    rb_section_truth *section = &truth->section[s];
    section->gm = fmax(1 + spread->gm * gm[s], 0.5);
    section->mu = fmax(1 + spread->mu * mu[s], 0.5);
    section->cutoff_v = spread->cutoff_v * cutoff[s];
    section->noise_v = log_normal(random, 14e-9, 3);
    section->flicker_hz = log_normal(random, 120, 6);
    section->heater_leak_ohm = log_uniform(random, 50e6, 10e9);
    section->ring_hz = log_uniform(random, 400, 3000);
    section->ring_decay_s = log_uniform(random, 0.05, 0.3);
    section->ring_a = log_normal(random, 1e-9, 10);
    section->gas_a = truth->type->kind == RB_PENTODE ? 0.3e-6 * rb_random_uniform(random) : 0;
  }
}

void rb_tube_reseat(rb_tube_truth *truth, uint64_t seed)
{
  rb_random random = rb_random_seeded(seed);
  for (int s = 0; s < 2; s++) {
    truth->section[s].gm *= 1 + 0.003 * rb_random_normal(&random);
    truth->section[s].cutoff_v += 0.015 * rb_random_normal(&random);
  }
}

static const truth_key *find_key(const char *name)
{
  for (size_t i = 0; i < RB_LEN(keys); i++)
    if (strcmp(keys[i].name, name) == 0)
      return &keys[i];
  return NULL;
}

static void add_word(char *list, size_t size, const char *separator, const char *word)
{
  if (list[0])
    rb_text_copy(list + strlen(list), size - strlen(list), separator);
  rb_text_copy(list + strlen(list), size - strlen(list), word);
}

static rb_status wrong_key(const char *name, rb_err *err)
{
  char list[320] = "";
  for (size_t i = 0; i < RB_LEN(keys); i++)
    add_word(list, sizeof list, ", ", keys[i].name);
  return rb_fail(err, RB_BAD_ARG,
                 "'%s' is not something a simulated tube has. There is: %s, %s; with \"a.\" or "
                 "\"b.\" in front for one section.",
                 name, list, coupling_key);
}

static rb_status set_key(const char *name, double value, rb_tube_truth *truth, rb_err *err)
{
  unsigned sections = 3;
  const char *plain = name;
  if ((name[0] == 'a' || name[0] == 'b') && name[1] == '.') {
    sections = name[0] == 'a' ? 1 : 2;
    plain = name + 2;
  }
  if (plain == name && strcmp(name, coupling_key) == 0) {
    if (!(value >= 0))
      return rb_fail(err, RB_BAD_ARG, "'%s' cannot be negative.", name);
    truth->coupling_leak_ohm = value;
    return RB_OK;
  }
  const truth_key *key = find_key(plain);
  if (!key)
    return wrong_key(name, err);
  if (sections == 2 && truth->type->kind == RB_PENTODE)
    return rb_fail(err, RB_BAD_ARG, "'%s': a %s has no second section.", name, truth->type->name);
  if (!(value >= key->lowest && value <= key->highest))
    return rb_fail(err, RB_BAD_ARG, "'%s' of %g is out of its range %g to %g %s.", name, value,
                   key->lowest, key->highest, key->unit);
  for (int s = 0; s < 2; s++)
    if (sections & (1u << s))
      memcpy((char *)&truth->section[s] + key->offset, &value, sizeof value);
  return RB_OK;
}

/// One "key=value" of `length` bytes; blanks around key and value are allowed.
static rb_status read_entry(const char *entry, size_t length, rb_tube_truth *truth, rb_err *err)
{
  char text[64];
  while (length && *entry == ' ')
    entry++, length--;
  while (length && entry[length - 1] == ' ')
    length--;
  if (!length)
    return RB_OK;
  if (length >= sizeof text)
    return rb_fail(err, RB_BAD_ARG, "'%.20s…' is too long to be part of a simulated tube.", entry);
  memcpy(text, entry, length);
  text[length] = '\0';
  char *equals = strchr(text, '=');
  double value;
  if (!equals || !rb_text_to_number(equals + 1, &value))
    return rb_fail(err, RB_BAD_ARG, "'%s' should read KEY=NUMBER, as \"gm=0.92\".", text);
  *equals = '\0';
  for (char *end = equals; end > text && end[-1] == ' ';)
    *--end = '\0';
  return set_key(text, value, truth, err);
}

rb_status rb_tube_truth_read(const char *text, rb_tube_truth *truth, rb_err *err)
{
  while (*text) {
    const size_t length = strcspn(text, ";");
    RB_TRY(read_entry(text, length, truth, err));
    text += length + (text[length] == ';');
  }
  return RB_OK;
}

static rb_status unknown_type(const rb_tube *tube, rb_err *err)
{
  char list[160] = "";
  size_t n_types;
  const rb_tube_type *types = rb_tube_types(&n_types);
  for (size_t i = 0; i < n_types; i++)
    add_word(list, sizeof list, ", ", types[i].name);
  return rb_fail(err, RB_UNSUPPORTED,
                 "The simulated amplifier knows no tube type '%s' (tube '%s'). It knows %s.",
                 tube->type, tube->label, list);
}

rb_status rb_tube_truth_of(const rb_tube *tube, uint64_t seed, rb_tube_truth *truth, rb_err *err)
{
  const rb_tube_type *type = rb_tube_type_named(tube->type);
  if (!type)
    return unknown_type(tube, err);
  *truth = rb_tube_bogey(type);
  if (tube->truth[0]) {
    const rb_status status = rb_tube_truth_read(tube->truth, truth, err);
    return status == RB_OK ? status : rb_fail_within(err, status, "tube '%s'", tube->label);
  }
  rb_random random =
      rb_random_seeded(mix(mix(0xCBF29CE484222325u ^ seed, type->name), tube->label));
  draw_new(&random, truth);
  return RB_OK;
}
