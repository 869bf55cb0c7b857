// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_DSP_BLOCKS_H
#define ROLLBOOK_SRC_DSP_BLOCKS_H

#include "rollbook/base/arena.h"
#include "rollbook/base/status.h"

#include <stddef.h>

/// Samples that wait until a block is full.
typedef struct blocks {
  double *samples;
  size_t size, n_waiting;
  size_t kept; // samples of a block's end that begin the next one, 0 at first
} blocks;

/// Works on the waiting samples; they are dropped, but for `kept`, when it returns RB_OK.
typedef rb_status take_block_fn(void *meter);

/// Room for blocks of `size`. RB_NO_MEM.
rb_status blocks_new(size_t size, rb_arena *arena, blocks *out);

/// Hands over every block that `n` more samples fill.
rb_status blocks_add(blocks *b, const double *samples, size_t n, take_block_fn *take, void *meter);

/// Hands over the last, unfilled block if it holds `least` samples or more.
rb_status blocks_flush(blocks *b, size_t least, take_block_fn *take, void *meter);

#endif
