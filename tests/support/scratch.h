// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef SCRATCH_H
#define SCRATCH_H

#include "rollbook/base/arena.h"

/// An arena for all tests of a file: cmocka_run_group_tests(tests, make_scratch, free_scratch).
extern rb_arena *scratch;

int make_scratch(void **state);
int free_scratch(void **state);

#endif
