// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_ERROR_H
#define ROLLBOOK_BASE_ERROR_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

enum { RB_MESSAGE_SIZE = 512 };

/// What went wrong, in words for the user: what happened, to which file, device or field, and what
/// to do now. A function that takes `rb_err *err` accepts NULL.
typedef struct rb_err {
  rb_status status;
  char message[RB_MESSAGE_SIZE];
} rb_err;

/// Fills `err` (may be NULL) and returns `status`, so that failing is one line. Control characters
/// in the result are replaced, so a hostile name cannot write to the terminal.
rb_status rb_fail(rb_err *err, rb_status status, const char *format, ...) RB_PRINTF(3, 4);

/// Puts "context: " before the message already in `err`; returns `status` unchanged.
rb_status rb_fail_within(rb_err *err, rb_status status, const char *format, ...) RB_PRINTF(3, 4);

/// Passes an error up.
#define RB_TRY(expression)                                                                         \
  do {                                                                                             \
    const rb_status rb_try_status_ = (expression);                                                 \
    if (rb_try_status_ != RB_OK)                                                                   \
      return rb_try_status_;                                                                       \
  } while (0)

#endif
