// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/select.h"

#include <math.h>

void rb_smallest_first(double *values, size_t n, size_t k)
{
  size_t low = 0, high = n;
  while (high - low > 1 && k > low && k < high) {
    const double pivot = values[low + (high - low) / 2];
    size_t i = low, j = high - 1;
    for (;; i++, j--) {
      while (values[i] < pivot)
        i++;
      while (values[j] > pivot)
        j--;
      if (i >= j)
        break;
      const double swapped = values[i];
      values[i] = values[j];
      values[j] = swapped;
    }
    if (k <= i)
      high = i;
    else
      low = i > low ? i : low + 1;
  }
}

double rb_median(double *values, size_t n)
{
  rb_smallest_first(values, n, n / 2);
  double least = values[n / 2];
  for (size_t i = n / 2 + 1; i < n; i++)
    least = fmin(least, values[i]);
  return least;
}
