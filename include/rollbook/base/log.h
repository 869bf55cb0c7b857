// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_LOG_H
#define ROLLBOOK_BASE_LOG_H

#include "rollbook/base/attributes.h"

/// The program's log: a file the user can send with a question, never the screen. Before
/// rb_log_to_file is called, lines go nowhere. Safe from several threads; never from the audio
/// callback.

typedef enum rb_log_level { RB_LOG_DEBUG, RB_LOG_INFO, RB_LOG_WARNING } rb_log_level;

/// Appends to the file `path` from now on; NULL stops. Returns 0, or an errno value.
int rb_log_to_file(const char *path);

/// The log's file descriptor, or −1: where a child process sends what its libraries print.
int rb_log_descriptor(void);

void rb_log(rb_log_level level, const char *format, ...) RB_PRINTF(2, 3);

#endif
