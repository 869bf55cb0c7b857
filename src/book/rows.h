// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_ROWS_H
#define ROLLBOOK_SRC_BOOK_ROWS_H

#include "record.h"

/// Rows whose table holds more than the struct of the model: what they belong to.

typedef struct sitting_row {
  int64_t bench_id;
  rb_sitting sitting;
} sitting_row;

typedef struct capture_row {
  int64_t pass_id;
  int64_t n_bytes;  ///< Of the file.
  int64_t checksum; ///< Of the file.
  rb_kept_capture kept;
} capture_row;

extern const row_map bench_record;    ///< rb_bench
extern const row_map sitting_record;  ///< sitting_row
extern const row_map pass_record;     ///< rb_pass
extern const row_map quantity_record; ///< rb_quantity
extern const row_map capture_record;  ///< capture_row

rb_quantity quantity_of_reading(const rb_reading *reading);

/// RB_BAD_ARG where a number of the reading is not finite.
RB_NODISCARD rb_status check_reading(const rb_reading *reading, rb_err *err);

/// RB_BAD_ARG unless `name` is one; `what`: "a line-up".
RB_NODISCARD rb_status check_name(const char *name, const char *what, rb_err *err);

#endif
