// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_OUTPUT_FILE_H
#define ROLLBOOK_CLI_OUTPUT_FILE_H

#include "rollbook/base/error.h"

#include <stddef.h>

/// Writes a file whole or not at all: under a temporary name beside it, flushed to the disk, then
/// renamed. RB_STORAGE.
RB_NODISCARD rb_status rb_write_file(const char *path, const char *bytes, size_t n_bytes,
                                     rb_err *err);

#endif
