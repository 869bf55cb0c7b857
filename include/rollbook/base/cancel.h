// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_CANCEL_H
#define ROLLBOOK_BASE_CANCEL_H

#include <stdatomic.h>
#include <stdbool.h>

/// A wish to stop, set from a signal handler or another thread, read wherever work goes on.
typedef struct rb_cancel {
  atomic_bool requested;
} rb_cancel;

static inline void rb_cancel_request(rb_cancel *cancel)
{
  atomic_store(&cancel->requested, true);
}

/// NULL means: never cancelled.
static inline bool rb_cancel_requested(const rb_cancel *cancel)
{
  return cancel && atomic_load(&cancel->requested);
}

#endif
