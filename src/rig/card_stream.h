// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef CARD_STREAM_H
#define CARD_STREAM_H

#include "card_devices.h"

// The stream: it runs, playing silence, from opening to closing, so that an exchange begins on a
// path that has settled. Main thread of the worker only, but for the callback inside.
typedef struct card_stream card_stream;

// Opens and starts, and lets a second of silence pass (starts are where sound servers lose frames).
rb_status card_stream_open(const card_request *request, card_pair pair, card_shared *shared,
                           card_stream **stream, rb_err *err);

// Plays and captures `request->n_frames` of `shared`.
rb_status card_stream_exchange(card_stream *stream, const card_request *request,
                               card_shared *shared, card_reply *reply, rb_err *err);

// What the user should know of the path, or "".
void card_stream_note(const card_stream *stream, char *note, size_t size);

void card_stream_close(card_stream *stream); // NULL is allowed

#endif
