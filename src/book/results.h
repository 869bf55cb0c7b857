// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_RESULTS_H
#define ROLLBOOK_SRC_BOOK_RESULTS_H

#include "statement.h"

/// Readings and curves of one pass into the tables; inside a transaction.
RB_NODISCARD rb_status results_put(rb_book *book, int64_t pass_id, const rb_results *results,
                                   rb_err *err);

/// Binds :quantity, :value, :uncertainty, :floor and :resolved of a reading; its quantity is put
/// into the book where it is new.
RB_NODISCARD rb_status results_bind_reading(sql_statement *insert, const rb_reading *reading,
                                            rb_err *err);

/// A query for whole readings; `from` names `quantity AS q` and, as `r`, a table with their values.
RB_NODISCARD rb_status results_prepare_readings(rb_book *book, const char *from,
                                                sql_statement *statement, rb_err *err);

/// Appends all rows of such a query.
RB_NODISCARD rb_status results_take_readings(sql_statement *statement, rb_results *results,
                                             rb_err *err);

#endif
