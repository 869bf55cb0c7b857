// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef NEAR_H
#define NEAR_H

/// Comparisons of doubles for the tests: cmocka 1.1.5 casts to float, which is useless at −140 dB.
/// Values are printed with 17 digits when they differ.

#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

void check_near(double value, double expected, double tolerance, const char *text, const char *file,
                int line);
void check_at_most(double value, double bound, const char *text, const char *file, int line);

/// |value − expected| ≤ tolerance; NaN never passes.
#define assert_near(value, expected, tolerance)                                                    \
  check_near((value), (expected), (tolerance), #value, __FILE__, __LINE__)

/// |value − expected| ≤ relative·|expected|.
#define assert_near_relative(value, expected, relative)                                            \
  check_near((value), (expected), (relative) * ((expected) < 0 ? -(expected) : (expected)),        \
             #value, __FILE__, __LINE__)

/// value ≤ bound; NaN never passes.
#define assert_at_most(value, bound) check_at_most((value), (bound), #value, __FILE__, __LINE__)

#endif
