// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_SELECT_H
#define ROLLBOOK_DSP_SELECT_H

#include <stddef.h>

/// Brings the `k` smallest of n values to the front, in any order, in time proportional to n
/// (C. A. R. Hoare, Algorithm 65: Find, Comm. ACM 4(7), 1961). The values must not be NaN.
void rb_smallest_first(double *values, size_t n, size_t k);

/// The middle one of n ≥ 1 values, the upper of the two middle ones for an even n. Their order is
/// lost.
double rb_median(double *values, size_t n);

#endif
