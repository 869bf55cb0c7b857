// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/command.h"

#include <ctype.h>
#include <string.h>

enum { LONGEST = 40 };

static unsigned least(unsigned a, unsigned b)
{
  return a < b ? a : b;
}

static bool same_letter(char a, char b)
{
  return tolower((unsigned char)a) == tolower((unsigned char)b);
}

// Insertions, deletions, replacements and swaps of neighbours that turn one word into the other.
static unsigned distance(const char *a, size_t n_a, const char *b, size_t n_b)
{
  unsigned cost[LONGEST + 1][LONGEST + 1];
  for (size_t i = 0; i <= n_a; i++)
    cost[i][0] = (unsigned)i;
  for (size_t j = 0; j <= n_b; j++)
    cost[0][j] = (unsigned)j;
  for (size_t i = 1; i <= n_a; i++)
    for (size_t j = 1; j <= n_b; j++) {
      unsigned replaced = cost[i - 1][j - 1] + !same_letter(a[i - 1], b[j - 1]);
      cost[i][j] = least(replaced, least(cost[i - 1][j], cost[i][j - 1]) + 1);
      bool swapped =
          i > 1 && j > 1 && same_letter(a[i - 1], b[j - 2]) && same_letter(a[i - 2], b[j - 1]);
      if (swapped)
        cost[i][j] = least(cost[i][j], cost[i - 2][j - 2] + 1);
    }
  return cost[n_a][n_b];
}

const char *rb_nearest_word(const char *word, const char *const *candidates, size_t n)
{
  size_t length = strlen(word);
  if (!length || length > LONGEST)
    return NULL;
  const char *nearest = NULL;
  unsigned best = (unsigned)length / 3 + 1; // about a third of the letters may be wrong
  for (size_t i = 0; i < n; i++) {
    size_t n_candidate = strlen(candidates[i]);
    if (n_candidate > LONGEST)
      continue;
    unsigned d = distance(word, length, candidates[i], n_candidate);
    bool begins = length >= 3 && strncmp(word, candidates[i], length) == 0;
    if (begins && best > 1)
      d = 1;
    if (d < best) {
      best = d;
      nearest = candidates[i];
    }
  }
  return nearest;
}
