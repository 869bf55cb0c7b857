// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef SHELF_FIXTURE_H
#define SHELF_FIXTURE_H

#include "bookshelf.h"

/// A stocked book and an arena for one cmocka test.
typedef struct fixture {
  char folder[SHELF_PATH_SIZE];
  rb_arena *arena;
  rb_book *book;
  rb_lineup before, after;
} fixture;

int shelf_set_up(void **state); ///< `*state` becomes a fixture.
int shelf_tear_down(void **state);

#define SHELF_TEST(f) cmocka_unit_test_setup_teardown(f, shelf_set_up, shelf_tear_down)

#endif
