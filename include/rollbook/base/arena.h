// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_ARENA_H
#define ROLLBOOK_BASE_ARENA_H

#include "rollbook/base/attributes.h"

#include <stddef.h>

/// Memory for one run: taken piece by piece, freed whole. The pure rooms take their scratch from
/// it, so they never touch the heap themselves.
typedef struct rb_arena rb_arena;

/// A place in an arena to come back to.
typedef struct rb_arena_mark {
  void *block;
  size_t used;
} rb_arena_mark;

void rb_arena_free(rb_arena *arena); ///< NULL is allowed.

/// A new arena that never holds more than `limit_bytes` (0: no limit). NULL when memory is out.
RB_OWNED(rb_arena_free) rb_arena *rb_arena_new(size_t limit_bytes);

/// `count` zeroed elements of `size` bytes, aligned to 64 bytes. NULL when the limit or memory is
/// reached or the product overflows. The memory lives until the arena is freed or rewound.
void *rb_arena_alloc(rb_arena *arena, size_t count, size_t size);

/// `n` zeroed doubles; as rb_arena_alloc.
double *rb_arena_doubles(rb_arena *arena, size_t n);

/// A copy of `text`, or NULL.
char *rb_arena_copy(rb_arena *arena, const char *text);

/// A formatted text, or NULL.
char *rb_arena_printf(rb_arena *arena, const char *format, ...) RB_PRINTF(2, 3);

rb_arena_mark rb_arena_save(const rb_arena *arena);

/// Gives back all that was taken since `mark`.
void rb_arena_rewind(rb_arena *arena, rb_arena_mark mark);

/// Bytes taken from the system now.
size_t rb_arena_bytes(const rb_arena *arena);

#endif
