// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/simulated.h"
#include "rollbook/base/units.h"
#include "rollbook/rig/rig.h"
#include "sim_convert.h"
#include "sim_options.h"
#include "sim_run.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

// The simulated rig: a sound card of its own making before and behind the simulated amplifier.

typedef struct sim {
  sim_options options;
  rb_arena *arena;
  rb_amp *rest; ///< Settled, without signal: where every exchange starts.
  rb_amp *live;
  double rest_warmth; ///< Of `rest`.
  double age_s;
  double rate_hz;
  uint64_t seed, exchanges;
  char sockets[RB_AMP_SOCKETS][RB_SOCKET_SIZE]; ///< As the line-up calls them.
  bool knock;
  int knock_socket;
  double meter_vrms[2];
} sim;

static void sim_close(void *self)
{
  sim *rig = self;
  if (!rig)
    return;
  rb_arena_free(rig->arena);
  free(rig);
}

/// The line-up's own names of the sockets, so that a knock finds its tube.
static void name_sockets(sim *rig, const rb_lineup *lineup)
{
  size_t n_sockets;
  const rb_socket *own = rb_amp_sockets(&n_sockets);
  for (size_t i = 0; i < n_sockets; i++) {
    rb_text_copy(rig->sockets[i], sizeof rig->sockets[i], own[i].name);
    for (size_t k = 0; lineup && k < lineup->amplifier.n_sockets; k++) {
      const rb_socket *named = &lineup->amplifier.sockets[k];
      if (named->role == own[i].role && named->channel == own[i].channel)
        rb_text_copy(rig->sockets[i], sizeof rig->sockets[i], named->name);
    }
  }
}

static rb_status build(sim *rig, rb_amp_setup *setup, const rb_rig_want *want, rb_err *err)
{
  rig->seed = (uint64_t)rig->options.seed;
  rb_random random = rb_random_seeded(rig->seed * 0x9E3779B97F4A7C15u + want->sitting_seed);
  if (want->lineup)
    RB_TRY(rb_amp_setup_fit(setup, want->lineup, rig->seed, want->sitting_seed, err));
  setup->seed = rb_random_bits(&random);
  setup->load_ohm = want->load_ohm > 0 ? want->load_ohm : 8;
  setup->speaker = rig->options.speaker >= 0.5;
  setup->mains_hz = rig->options.mains_hz;
  const double drawn = 1 + 0.003 * rb_random_normal(&random);
  setup->mains_ratio = rig->options.mains_ratio > 0 ? rig->options.mains_ratio : drawn;
  setup->since_power_on_s = rig->age_s = rig->options.warm_s;
  rig->arena = rb_arena_new(0);
  if (!rig->arena)
    return rb_fail(err, RB_NO_MEM, "Out of memory for the simulated amplifier.");
  RB_TRY(rb_amp_new(setup, 2 * 48000, rig->arena, &rig->rest, err));
  rig->rest_warmth = rb_amp_warmth(rig->age_s);
  if (rb_amp_clone(rig->rest, rig->arena, &rig->live) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Out of memory for the simulated amplifier.");
  return RB_OK;
}

static rb_status sim_open(const char *rest, const rb_rig_want *want, void **self,
                          rb_rig_caps *granted, rb_err *err)
{
  rb_amp_setup setup = rb_amp_setup_default();
  sim *rig = calloc(1, sizeof *rig);
  if (!rig)
    return rb_fail(err, RB_NO_MEM, "Out of memory for the simulated rig.");
  rig->rate_hz = want->rate_hz;
  rb_status status = sim_options_read(rest, &rig->options, &setup, err);
  if (status == RB_OK && !(want->rate_hz >= 32000 && want->rate_hz <= 384000))
    status = rb_fail(err, RB_UNSUPPORTED,
                     "The simulated rig runs at 32000 to 384000 Hz, not at %g Hz.", want->rate_hz);
  if (status == RB_OK)
    status = build(rig, &setup, want, err);
  if (status != RB_OK) {
    sim_close(rig);
    return status;
  }
  name_sockets(rig, want->lineup);
  *granted = (rb_rig_caps){.title = "simulated amplifier",
                           .rate_hz = want->rate_hz,
                           .plays = true,
                           .input_bits = rig->options.bits};
  *self = rig;
  return RB_OK;
}

static rb_status sim_scan(void (*visit)(void *payload, const char *uri, const char *description),
                          void *payload, rb_err *err)
{
  (void)err;
  visit(payload, "sim:seed=1", "simulated amplifier and sound card: nothing is connected");
  return RB_OK;
}

/// Brings `rest` to the rig's present age, when it has changed enough to matter.
static rb_status follow_age(sim *rig, rb_err *err)
{
  const double warmth = rb_amp_warmth(rig->age_s);
  if (fabs(warmth - rig->rest_warmth) < 1e-3 * warmth) {
    rb_amp_set_since_power_on_s(rig->rest, rig->age_s);
    return RB_OK;
  }
  RB_TRY(rb_amp_rest_at(rig->rest, rig->age_s, err));
  rig->rest_warmth = warmth;
  return RB_OK;
}

/// Mains wander slowly around their frequency.
static double mains_hz_at(const sim *rig, double age_s)
{
  const double turn = 2 * RB_PI * (age_s / 170 + (double)(rig->seed % 97) / 97);
  return rig->options.mains_hz + rig->options.mains_drift_hz * sin(turn);
}

static rb_status start_live(sim *rig, rb_err *err)
{
  RB_TRY(follow_age(rig, err));
  rb_random random =
      rb_random_seeded((rig->seed + 1) * 0xD1342543DE82EF95u ^ (rig->exchanges + 1) * 77);
  rb_amp_copy(rig->live, rig->rest);
  rb_amp_reseed(rig->live, rb_random_bits(&random));
  rb_amp_set_mains_hz(rig->live, mains_hz_at(rig, rig->age_s));
  // A random time without signal, so that mains meet the exchange at any phase.
  const size_t idle = 8 * (size_t)(1200 * (1 + rb_random_uniform(&random)));
  rb_amp_run_both(rig->live, (const double *const[2]){NULL, NULL}, idle,
                  (double *const[2]){NULL, NULL});
  return RB_OK;
}

static rb_status sim_exchange(void *self, const rb_exchange *exchange, rb_capture *capture,
                              rb_err *err)
{
  sim *rig = self;
  sim_run run = {.options = &rig->options,
                 .rate_hz = rig->rate_hz,
                 .seed = rig->seed * 1000003 + rig->exchanges,
                 .knock = rig->knock,
                 .knock_socket = rig->knock_socket};
  if (rig->options.loopback < 0.5) {
    RB_TRY(start_live(rig, err));
    run.amp = rig->live;
  }
  const rb_status status = sim_run_exchange(&run, exchange, capture, err);
  rig->age_s += (double)exchange->n_frames / rig->rate_hz;
  rig->exchanges++;
  rig->knock = false;
  memcpy(rig->meter_vrms, run.meter_vrms, sizeof rig->meter_vrms);
  return status;
}

static rb_status sim_wait(void *self, double duration_s, const rb_cancel *cancel, rb_err *err)
{
  sim *rig = self;
  if (rb_cancel_requested(cancel))
    return rb_fail(err, RB_CANCELLED, "Cancelled while waiting.");
  if (duration_s > 0)
    rig->age_s += duration_s;
  return RB_OK;
}

static double sim_since_power_on_s(void *self)
{
  return ((const sim *)self)->age_s;
}

static double sim_meter_vrms(void *self, unsigned channel)
{
  return channel < 2 ? ((const sim *)self)->meter_vrms[channel] : -1;
}

static rb_status sim_tap(void *self, const char *socket, rb_err *err)
{
  sim *rig = self;
  rig->knock_socket = -1;
  for (int i = 0; socket && i < RB_AMP_SOCKETS; i++)
    if (strcmp(rig->sockets[i], socket) == 0)
      rig->knock_socket = i;
  if (socket && rig->knock_socket < 0)
    return rb_fail(err, RB_NOT_FOUND, "The simulated amplifier has no socket '%s'.", socket);
  rig->knock = true;
  return RB_OK;
}

const rb_rig_ops rb_rig_sim = {
    .scheme = "sim",
    .summary = "the simulated amplifier: learn and test without hardware",
    .scan = sim_scan,
    .open = sim_open,
    .exchange = sim_exchange,
    .wait = sim_wait,
    .since_power_on_s = sim_since_power_on_s,
    .meter_vrms = sim_meter_vrms,
    .tap = sim_tap,
    .close = sim_close,
};
