// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_MIGRATIONS_H
#define ROLLBOOK_SRC_BOOK_MIGRATIONS_H

#include <stddef.h>

/// `application_id` of a book's database: "RBOK".
#define BOOK_APPLICATION_ID 0x52424f4b

/// Migration `version` − 1 brings a book from schema version − 1 to version. `*n` is the newest
/// schema this program knows.
const char *const *book_migrations(size_t *n);

#endif
