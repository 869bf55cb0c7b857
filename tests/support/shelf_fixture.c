// SPDX-License-Identifier: GPL-3.0-or-later
#include "shelf_fixture.h"

#include <stdlib.h>

int shelf_set_up(void **state)
{
  fixture *shelf = calloc(1, sizeof *shelf);
  if (!shelf)
    return 1;
  shelf_make(shelf->folder);
  shelf->arena = rb_arena_new(0);
  shelf->book = shelf_open(shelf->folder);
  shelf_stock(shelf->book, &shelf->before, &shelf->after);
  *state = shelf;
  return 0;
}

int shelf_tear_down(void **state)
{
  fixture *shelf = *state;
  rb_book_close(shelf->book);
  shelf_remove(shelf->folder);
  rb_arena_free(shelf->arena);
  free(shelf);
  return 0;
}
