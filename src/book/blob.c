// SPDX-License-Identifier: GPL-3.0-or-later
#include "blob.h"

#include "rollbook/base/attributes.h"

#include <endian.h>
#include <string.h>

const blob_encoding blob_double = {"f64le", 8};
const blob_encoding blob_single = {"f32le", 4};

const blob_encoding *blob_encoding_find(const char *name)
{
  static const blob_encoding *const all[] = {&blob_double, &blob_single};
  for (size_t i = 0; i < RB_LEN(all); i++)
    if (strcmp(all[i]->name, name) == 0)
      return all[i];
  return NULL;
}

static void put_number(double value, size_t width, unsigned char *place)
{
  if (width == 8) {
    uint64_t bits = 0;
    memcpy(&bits, &value, 8);
    bits = htole64(bits);
    memcpy(place, &bits, 8);
    return;
  }
  float single = (float)value;
  uint32_t bits = 0;
  memcpy(&bits, &single, 4);
  bits = htole32(bits);
  memcpy(place, &bits, 4);
}

static double get_number(const unsigned char *place, size_t width)
{
  if (width == 8) {
    uint64_t bits = 0;
    double value = 0;
    memcpy(&bits, place, 8);
    bits = le64toh(bits);
    memcpy(&value, &bits, 8);
    return value;
  }
  uint32_t bits = 0;
  float single = 0;
  memcpy(&bits, place, 4);
  bits = le32toh(bits);
  memcpy(&single, &bits, 4);
  return (double)single;
}

unsigned char *blob_pack(const blob_encoding *encoding, const double *values, size_t n,
                         rb_arena *arena)
{
  unsigned char *bytes = rb_arena_alloc(arena, n, encoding->width);
  for (size_t i = 0; bytes && i < n; i++)
    put_number(values[i], encoding->width, bytes + i * encoding->width);
  return bytes;
}

double *blob_unpack(const blob_encoding *encoding, const unsigned char *bytes, size_t n,
                    rb_arena *arena)
{
  double *values = rb_arena_doubles(arena, n);
  for (size_t i = 0; values && i < n; i++)
    values[i] = get_number(bytes + i * encoding->width, encoding->width);
  return values;
}

// The table costs two thousand steps a call: callers bring blocks of many kilobytes.
uint32_t blob_crc32(uint32_t crc, const void *bytes, size_t n)
{
  const uint32_t polynomial = 0xEDB88320u;
  uint32_t table[256];
  for (uint32_t i = 0; i < 256; i++) {
    uint32_t c = i;
    for (int bit = 0; bit < 8; bit++)
      c = c & 1 ? (c >> 1) ^ polynomial : c >> 1;
    table[i] = c;
  }
  crc = ~crc;
  for (const unsigned char *p = bytes, *end = p + n; p < end; p++)
    crc = table[(crc ^ *p) & 0xff] ^ (crc >> 8);
  return ~crc;
}
