// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include <math.h>
#include <stdio.h>

void check_near(double value, double expected, double tolerance, const char *text, const char *file,
                int line)
{
  if (fabs(value - expected) <= tolerance)
    return;
  print_error("%s is %.17g, expected %.17g ± %.3g (off by %.3g)\n", text, value, expected,
              tolerance, value - expected);
  _fail(file, line);
}

void check_at_most(double value, double bound, const char *text, const char *file, int line)
{
  if (value <= bound)
    return;
  print_error("%s is %.17g, expected at most %.17g\n", text, value, bound);
  _fail(file, line);
}
