// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_BOOK_BLOB_H
#define ROLLBOOK_SRC_BOOK_BLOB_H

#include "rollbook/base/arena.h"

#include <stdint.h>
#include <stddef.h>

/// Numbers as bytes, little-endian on every machine, with the encoding's name beside them.

typedef struct blob_encoding {
  const char *name; ///< As it stands in the database: "f64le".
  size_t width;     ///< Bytes a number.
} blob_encoding;

extern const blob_encoding blob_double; ///< "f64le"
extern const blob_encoding blob_single; ///< "f32le"

/// The encoding of that name, or NULL.
const blob_encoding *blob_encoding_find(const char *name);

/// `n` numbers as n × width bytes in `arena`; NULL when memory is out.
unsigned char *blob_pack(const blob_encoding *encoding, const double *values, size_t n,
                         rb_arena *arena);
double *blob_unpack(const blob_encoding *encoding, const unsigned char *bytes, size_t n,
                    rb_arena *arena);

/// CRC-32 of ISO 3309 (IEEE 802.3, polynomial 0x04C11DB7 reflected), continued from `crc`; start
/// with 0.
uint32_t blob_crc32(uint32_t crc, const void *bytes, size_t n);

#endif
