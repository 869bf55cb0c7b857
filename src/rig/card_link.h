// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef CARD_LINK_H
#define CARD_LINK_H

#include "card_protocol.h"
#include "rollbook/base/cancel.h"
#include "rollbook/base/progress.h"

#include <sys/types.h>

// The program's end of a card worker.
typedef struct card_link {
  pid_t worker; // 0: none
  int socket, memory;
  card_shared *shared;
  size_t mapped_bytes;
} card_link;

// How to wait for a reply.
typedef struct card_patience {
  double stall_s; // no sign of life for so long: the worker is killed, RB_DEVICE
  const rb_cancel *cancel;
  bool fades; // when cancelled, have the sound faded and wait for the reply; else kill
  const rb_progress *progress;
  double rate_hz, total_s; // for progress
} card_patience;

rb_status card_link_start(card_link *link, rb_err *err);

// Makes room for `n_frames` in the shared file.
rb_status card_link_room(card_link *link, size_t n_frames, rb_err *err);

rb_status card_link_send(card_link *link, const card_request *request, rb_err *err);

// Waits for one reply. On RB_DEVICE, and where a cancelled call cannot fade, the worker is gone.
// A reply with an error status is passed on as that error; the worker lives on.
rb_status card_link_receive(card_link *link, const card_patience *patience, card_reply *reply,
                            rb_err *err);

// Asks the worker to end and kills it if it does not at once. Also for a link never started.
void card_link_stop(card_link *link);

#endif
