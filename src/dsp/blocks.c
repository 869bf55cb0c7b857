// SPDX-License-Identifier: GPL-3.0-or-later
#include "blocks.h"

#include "rollbook/base/error.h"

#include <string.h>

rb_status blocks_new(size_t size, rb_arena *arena, blocks *out)
{
  *out = (blocks){.samples = rb_arena_doubles(arena, size), .size = size};
  return out->samples == NULL ? RB_NO_MEM : RB_OK;
}

rb_status blocks_flush(blocks *b, size_t least, take_block_fn *take, void *meter)
{
  if (b->n_waiting <= b->kept || b->n_waiting < least)
    return RB_OK;
  RB_TRY(take(meter));
  memmove(b->samples, b->samples + b->n_waiting - b->kept, b->kept * sizeof *b->samples);
  b->n_waiting = b->kept;
  return RB_OK;
}

rb_status blocks_add(blocks *b, const double *samples, size_t n, take_block_fn *take, void *meter)
{
  while (n > 0) {
    const size_t room = b->size - b->n_waiting;
    const size_t taken = n < room ? n : room;
    memcpy(b->samples + b->n_waiting, samples, taken * sizeof *samples);
    b->n_waiting += taken;
    samples += taken;
    n -= taken;
    if (b->n_waiting == b->size)
      RB_TRY(blocks_flush(b, b->size, take, meter));
  }
  return RB_OK;
}
