// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef CARD_DEVICES_H
#define CARD_DEVICES_H

#include "card_protocol.h"

// Devices as PortAudio numbers them. Only in the worker, after Pa_Initialize.
typedef struct card_pair {
  int in, out;
} card_pair;

// Calls `visit` for every device.
void card_devices_list(void (*visit)(void *payload, const char *uri, const char *description),
                       void *payload);

// RB_NOT_FOUND with the devices there are, also for a device without inputs or outputs;
// RB_BAD_ARG where several match.
rb_status card_devices_find(const card_spec *spec, card_pair *found, rb_err *err);

// "default (ALSA)", or "a → b (ALSA)".
void card_devices_title(card_pair pair, char *title, size_t size);

#endif
