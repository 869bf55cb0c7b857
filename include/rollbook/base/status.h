// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_STATUS_H
#define ROLLBOOK_BASE_STATUS_H

/// Every way a call can end, with the sentence a user sees and when it is used.
#define RB_STATUS_LIST(X)                                                                          \
  X(OK, "done")                                                                                    \
  X(BAD_ARG, "wrong use")                  /* an option or argument out of its range */            \
  X(NO_MEM, "out of memory")               /* the allocator or an arena's limit said no */         \
  X(NOT_FOUND, "not found")                /* a file, a device, a line-up, a signal */             \
  X(EXISTS, "exists already")              /* a name taken in the book */                          \
  X(IO, "reading or writing failed")       /* disk full, permission, broken pipe */                \
  X(FORMAT, "not in the expected format")  /* truncated WAV, bad signal file, bad JSON */          \
  X(UNSUPPORTED, "not supported")          /* a rate the card refuses, a missing entry */          \
  X(DEVICE, "the audio device failed")     /* unplugged, hung, aborted, refused */                 \
  X(STORAGE, "the book could not be used") /* locked, damaged, newer schema, read-only */          \
  X(LOST_FRAMES, "frames were lost")       /* markers too close, a phase step */                   \
  X(CLIPPED, "the input clipped")          /* samples at full scale */                             \
  X(NO_SIGNAL, "no signal was found")      /* silence where a tone was expected */                 \
  X(NOT_CALIBRATED, "not calibrated")      /* volts asked of a bench that knows only dBFS */       \
  X(NO_CONVERGENCE, "the computation did not converge") /* Newton, least squares */                \
  X(UNSAFE, "refused for safety") /* over the ceiling, safety list not agreed */                   \
  X(CANCELLED, "cancelled")       /* Ctrl-C, or the user said no */                                \
  X(BUG, "internal error")        /* a state that should not exist */

typedef enum rb_status {
#define RB_STATUS_ENUM(name, text) RB_##name,
  RB_STATUS_LIST(RB_STATUS_ENUM)
#undef RB_STATUS_ENUM
      RB_STATUS_COUNT
} rb_status;

/// The sentence for a status. Never NULL; shared, not to be freed.
const char *rb_status_text(rb_status status);

#endif
