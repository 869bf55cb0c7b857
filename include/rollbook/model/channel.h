// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_CHANNEL_H
#define ROLLBOOK_MODEL_CHANNEL_H

#include "rollbook/base/status.h"
#include "rollbook/base/attributes.h"

typedef enum rb_channel { RB_LEFT, RB_RIGHT, RB_BOTH } rb_channel;

/// "left", "right" or "both": the words used in commands, JSON, pages and the book.
const char *rb_channel_name(rb_channel channel);

/// RB_BAD_ARG for any other word.
RB_NODISCARD rb_status rb_channel_from_name(const char *name, rb_channel *channel);

#endif
