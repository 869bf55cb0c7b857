// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef CARD_PROTOCOL_H
#define CARD_PROTOCOL_H

#include "rollbook/base/error.h"

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

// What the program and its card worker say to each other. Requests and replies go over a
// SOCK_SEQPACKET pair, so a message arrives whole or not at all; frames and everything the audio
// callback touches stand in one shared memory file, mapped by both.

enum {
  CARD_SOCKET_FD = 3, // in the worker
  CARD_MEMORY_FD = 4,
  CARD_NAME_SIZE = 128,
  CARD_FRAMES_OFFSET = 4096, // of the play frames in the shared file; capture frames follow them
};

#define CARD_WORKER_ARGUMENT "__card-worker"
#define CARD_WORKER_VARIABLE "ROLLBOOK_CARD_WORKER"

// What stands behind "card:".
typedef struct card_spec {
  char api[CARD_NAME_SIZE]; // empty: any
  char in[CARD_NAME_SIZE];  // empty: the default device
  char out[CARD_NAME_SIZE];
  int in_number, out_number; // −1: by name
  unsigned frames;           // per buffer; 0: by the rate
  double latency_s;          // 0: as the device proposes
  bool paced;
} card_spec;

rb_status card_spec_parse(const char *rest, card_spec *spec, rb_err *err);

typedef enum card_request_kind {
  CARD_LIST,
  CARD_OPEN,
  CARD_EXCHANGE,
  CARD_CLOSE
} card_request_kind;

typedef struct card_request {
  card_request_kind kind;
  card_spec spec; // CARD_OPEN
  double rate_hz;
  unsigned output_channels[2], input_channels[2]; // from 1
  size_t n_frames;                                // CARD_EXCHANGE
  size_t ramp_frames;
  float clip_level;
  bool fresh;
} card_request;

typedef enum card_reply_kind {
  CARD_DEVICE, // one line of a list; more follows
  CARD_DONE    // the request is finished
} card_reply_kind;

typedef struct card_reply {
  card_reply_kind kind;
  rb_status status;
  char text[RB_MESSAGE_SIZE]; // error message; title of what was opened; description of a device
  char uri[160];              // CARD_DEVICE
  char note[192];             // CARD_OPEN
  size_t clipped_frames;      // CARD_EXCHANGE
  unsigned overruns, underruns;
} card_reply;

// Which call the worker is in: when one hangs, the message can say so.
typedef enum card_stage {
  CARD_STARTING,
  CARD_INITIALISING,
  CARD_OPENING,
  CARD_RUNNING,
  CARD_CLOSING
} card_stage;

// The head of the shared file.
typedef struct card_shared {
  _Atomic uint32_t stage;       // by the worker's main thread
  _Atomic uint64_t beats;       // raised by every step and every callback: unchanged means stuck
  _Atomic uint64_t done_frames; // of the exchange, by the callback
  _Atomic bool fade;            // by the program: fade out and end the exchange
} card_shared;

_Static_assert(sizeof(card_shared) <= CARD_FRAMES_OFFSET, "the head must end before the frames");
_Static_assert(ATOMIC_LLONG_LOCK_FREE == 2, "shared counters must not need a lock");

static inline size_t card_shared_bytes(size_t n_frames)
{
  return CARD_FRAMES_OFFSET + n_frames * 4 * sizeof(float);
}

static inline float *card_play_frames(card_shared *shared)
{
  return (float *)(void *)((char *)shared + CARD_FRAMES_OFFSET);
}

static inline float *card_capture_frames(card_shared *shared, size_t n_frames)
{
  return card_play_frames(shared) + 2 * n_frames;
}

#endif
