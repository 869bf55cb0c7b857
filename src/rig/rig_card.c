// SPDX-License-Identifier: GPL-3.0-or-later
#include "card_link.h"
#include "rollbook/base/clock.h"
#include "rollbook/base/text.h"
#include "rollbook/rig/rig.h"

#include <stdlib.h>
#include <string.h>

// The sound card, seen from the program: everything that touches the sound system happens in the
// worker (card_worker.c); here are its watch and the copying of frames.

static const double start_stall_s = 2.0; // starting, opening, listing
static const double wait_slice_s = 0.02;

typedef struct card {
  card_link link;
  card_request open;
} card;

// ---- opening ------------------------------------------------------------------------------------

static rb_status converse_open(card *me, rb_rig_caps *granted, rb_err *err)
{
  RB_TRY(card_link_start(&me->link, err));
  card_reply reply;
  const card_patience patience = {.stall_s = start_stall_s};
  rb_status status = card_link_send(&me->link, &me->open, err);
  if (status == RB_OK)
    status = card_link_receive(&me->link, &patience, &reply, err);
  if (status != RB_OK) {
    card_link_stop(&me->link);
    return status;
  }
  if (granted) {
    *granted =
        (rb_rig_caps){.rate_hz = me->open.rate_hz, .paced = me->open.spec.paced, .plays = true};
    rb_text_copy(granted->title, sizeof granted->title, reply.text);
    rb_text_copy(granted->note, sizeof granted->note, reply.note);
  }
  return RB_OK;
}

static rb_status open_card(const char *rest, const rb_rig_want *want, void **self,
                           rb_rig_caps *granted, rb_err *err)
{
  card_request open = {.kind = CARD_OPEN, .rate_hz = want->rate_hz};
  RB_TRY(card_spec_parse(rest, &open.spec, err));
  for (unsigned c = 0; c < 2; c++) {
    open.output_channels[c] = want->output_channels[c] ? want->output_channels[c] : c + 1;
    open.input_channels[c] = want->input_channels[c] ? want->input_channels[c] : c + 1;
  }
  if (open.output_channels[0] == open.output_channels[1])
    return rb_fail(err, RB_BAD_ARG,
                   "Left and right cannot both play on channel %u of the card; set the bench's "
                   "output channels.",
                   open.output_channels[0]);
  card *me = calloc(1, sizeof *me);
  if (!me)
    return rb_fail(err, RB_NO_MEM, "Out of memory while opening the card.");
  me->open = open;
  rb_status status = converse_open(me, granted, err);
  if (status != RB_OK) {
    free(me);
    return status;
  }
  *self = me;
  return RB_OK;
}

static void close_card(void *self)
{
  card *me = self;
  card_link_stop(&me->link);
  free(me);
}

// ---- exchanging ---------------------------------------------------------------------------------

static rb_status converse_exchange(card *me, const rb_exchange *exchange, card_reply *reply,
                                   rb_err *err)
{
  const card_request request = {.kind = CARD_EXCHANGE,
                                .n_frames = exchange->n_frames,
                                .ramp_frames = exchange->ramp_frames,
                                .clip_level = exchange->clip_level,
                                .fresh = exchange->fresh};
  const card_patience patience = {.stall_s = exchange->stall_s,
                                  .cancel = exchange->cancel,
                                  .fades = true,
                                  .progress = &exchange->progress,
                                  .rate_hz = me->open.rate_hz,
                                  .total_s = (double)exchange->n_frames / me->open.rate_hz};
  RB_TRY(card_link_send(&me->link, &request, err));
  return card_link_receive(&me->link, &patience, reply, err);
}

static rb_status exchange_card(void *self, const rb_exchange *exchange, rb_capture *capture,
                               rb_err *err)
{
  card *me = self;
  if (me->link.worker <= 0) // it was given up before; the sound server may be back
    RB_TRY(converse_open(me, NULL, err));
  RB_TRY(card_link_room(&me->link, exchange->n_frames, err));
  size_t n_samples = 2 * exchange->n_frames;
  memcpy(card_play_frames(me->link.shared), exchange->play, n_samples * sizeof(float));
  atomic_store(&me->link.shared->done_frames, 0);
  atomic_store(&me->link.shared->fade, false);
  card_reply reply = {0};
  rb_status status = converse_exchange(me, exchange, &reply, err);
  capture->health.clipped_frames = reply.clipped_frames;
  capture->health.overruns = reply.overruns;
  capture->health.underruns = reply.underruns;
  if (status == RB_DEVICE)
    card_link_stop(&me->link); // whatever state the sound system is in, begin anew next time
  if (status != RB_OK)
    return status;
  memcpy(capture->frames, card_capture_frames(me->link.shared, exchange->n_frames),
         n_samples * sizeof(float));
  rb_progress_tell(&exchange->progress, (double)exchange->n_frames / me->open.rate_hz,
                   (double)exchange->n_frames / me->open.rate_hz);
  return RB_OK;
}

static rb_status wait_card(void *self, double duration_s, const rb_cancel *cancel, rb_err *err)
{
  (void)self;
  double end_s = rb_now_s() + duration_s;
  for (;;) {
    if (rb_cancel_requested(cancel))
      return rb_fail(err, RB_CANCELLED, "Cancelled.");
    double left_s = end_s - rb_now_s();
    if (left_s <= 0)
      return RB_OK;
    rb_sleep_s(left_s < wait_slice_s ? left_s : wait_slice_s);
  }
}

// ---- listing ------------------------------------------------------------------------------------

static rb_status scan_card(void (*visit)(void *payload, const char *uri, const char *description),
                           void *payload, rb_err *err)
{
  card_link link;
  RB_TRY(card_link_start(&link, err));
  const card_request request = {.kind = CARD_LIST};
  const card_patience patience = {.stall_s = start_stall_s};
  rb_status status = card_link_send(&link, &request, err);
  while (status == RB_OK) {
    card_reply reply;
    status = card_link_receive(&link, &patience, &reply, err);
    if (status != RB_OK || reply.kind == CARD_DONE)
      break;
    visit(payload, reply.uri, reply.text);
  }
  card_link_stop(&link);
  return status;
}

const rb_rig_ops rb_rig_card = {
    .scheme = "card",
    .summary = "A sound card: card:NAME, card:NUMBER, card:api=JACK;name=NAME.",
    .scan = scan_card,
    .open = open_card,
    .exchange = exchange_card,
    .wait = wait_card,
    .close = close_card,
};
