// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/arena.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ALIGNMENT = 64, FIRST_BLOCK_BYTES = 64 * 1024 };

typedef struct block {
  struct block *previous;
  size_t size; // usable bytes behind the header
  size_t used;
} block;

#define HEADER_BYTES ((sizeof(block) + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT)

struct rb_arena {
  block *top;
  size_t limit_bytes;
  size_t held_bytes;
};

rb_arena *rb_arena_new(size_t limit_bytes)
{
  rb_arena *arena = calloc(1, sizeof *arena);
  if (arena)
    arena->limit_bytes = limit_bytes;
  return arena;
}

static void drop_top(rb_arena *arena)
{
  block *top = arena->top;
  arena->top = top->previous;
  arena->held_bytes -= top->size + HEADER_BYTES;
  free(top);
}

void rb_arena_free(rb_arena *arena)
{
  if (!arena)
    return;
  while (arena->top)
    drop_top(arena);
  free(arena);
}

static block *push_block(rb_arena *arena, size_t needed_bytes)
{
  size_t size = arena->top ? arena->top->size : FIRST_BLOCK_BYTES;
  if (size < needed_bytes)
    size = needed_bytes;
  if (arena->limit_bytes && arena->held_bytes + size + HEADER_BYTES > arena->limit_bytes) {
    size = needed_bytes;
    if (arena->held_bytes + size + HEADER_BYTES > arena->limit_bytes)
      return NULL;
  }
  block *fresh = aligned_alloc(ALIGNMENT, HEADER_BYTES + size);
  if (!fresh)
    return NULL;
  *fresh = (block){.previous = arena->top, .size = size};
  arena->top = fresh;
  arena->held_bytes += size + HEADER_BYTES;
  return fresh;
}

void *rb_arena_alloc(rb_arena *arena, size_t count, size_t size)
{
  if (size && count > (SIZE_MAX / 4) / size)
    return NULL;
  size_t bytes = (count * size + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
  if (!bytes)
    bytes = ALIGNMENT;
  block *top = arena->top;
  if (!top || top->size - top->used < bytes)
    top = push_block(arena, bytes);
  if (!top)
    return NULL;
  void *memory = (char *)top + HEADER_BYTES + top->used;
  top->used += bytes;
  return memset(memory, 0, bytes);
}

double *rb_arena_doubles(rb_arena *arena, size_t n)
{
  return rb_arena_alloc(arena, n, sizeof(double));
}

char *rb_arena_copy(rb_arena *arena, const char *text)
{
  size_t bytes = strlen(text) + 1;
  char *copy = rb_arena_alloc(arena, bytes, 1);
  return copy ? memcpy(copy, text, bytes) : NULL;
}

char *rb_arena_printf(rb_arena *arena, const char *format, ...)
{
  va_list values;
  va_start(values, format);
  va_list again;
  va_copy(again, values);
  int length = vsnprintf(NULL, 0, format, values);
  va_end(values);
  char *text = length < 0 ? NULL : rb_arena_alloc(arena, (size_t)length + 1, 1);
  if (text)
    vsnprintf(text, (size_t)length + 1, format, again);
  va_end(again);
  return text;
}

rb_arena_mark rb_arena_save(const rb_arena *arena)
{
  return (rb_arena_mark){.block = arena->top, .used = arena->top ? arena->top->used : 0};
}

void rb_arena_rewind(rb_arena *arena, rb_arena_mark mark)
{
  while (arena->top && arena->top != mark.block)
    drop_top(arena);
  if (arena->top)
    arena->top->used = mark.used;
}

size_t rb_arena_bytes(const rb_arena *arena)
{
  return arena->held_bytes;
}
