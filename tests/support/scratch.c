// SPDX-License-Identifier: GPL-3.0-or-later
#include "scratch.h"

rb_arena *scratch;

int make_scratch(void **state)
{
  (void)state;
  scratch = rb_arena_new(0);
  return scratch ? 0 : -1;
}

int free_scratch(void **state)
{
  (void)state;
  rb_arena_free(scratch);
  scratch = NULL;
  return 0;
}
