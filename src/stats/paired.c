// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/paired.h"

#include "rollbook/base/error.h"

#include <stdbool.h>

static void find_groups(const rb_paired_score *scores, size_t n_scores, size_t n_things,
                        size_t *group)
{
  bool moved = true;
  for (size_t i = 0; i < n_things; i++)
    group[i] = n_things;
  for (size_t k = 0; k < n_scores; k++) {
    group[scores[k].judged] = scores[k].judged;
    group[scores[k].against] = scores[k].against;
  }
  while (moved) {
    moved = false;
    for (size_t k = 0; k < n_scores; k++) {
      size_t *a = &group[scores[k].judged], *b = &group[scores[k].against];
      size_t least = *a < *b ? *a : *b;
      moved = moved || *a != least || *b != least;
      *a = *b = least;
    }
  }
}

// Normal equations; the first of each group, and whatever was never compared, is held at 0.
static void fill_equations(const rb_paired_score *scores, size_t n_scores, size_t n,
                           const size_t *group, double *matrix, double *right)
{
  for (size_t k = 0; k < n_scores; k++) {
    size_t a = scores[k].judged, b = scores[k].against;
    matrix[a * n + a] += 1;
    matrix[b * n + b] += 1;
    matrix[a * n + b] -= 1;
    matrix[b * n + a] -= 1;
    right[a] += scores[k].score;
    right[b] -= scores[k].score;
  }
  for (size_t i = 0; i < n; i++) {
    if (group[i] != i && group[i] != n)
      continue;
    for (size_t j = 0; j < n; j++)
      matrix[i * n + j] = matrix[j * n + i] = 0;
    matrix[i * n + i] = 1;
    right[i] = 0;
  }
}

// Gauss; the matrix is symmetric and positive definite, so no pivot is needed.
static void solve(double *matrix, double *right, size_t n, double *values)
{
  for (size_t i = 0; i < n; i++)
    for (size_t row = i + 1; row < n; row++) {
      double factor = matrix[row * n + i] / matrix[i * n + i];
      if (factor == 0)
        continue;
      for (size_t j = i; j < n; j++)
        matrix[row * n + j] -= factor * matrix[i * n + j];
      right[row] -= factor * right[i];
    }
  for (size_t i = n; i-- > 0;) {
    double rest = right[i];
    for (size_t j = i + 1; j < n; j++)
      rest -= matrix[i * n + j] * values[j];
    values[i] = rest / matrix[i * n + i];
  }
}

rb_status rb_paired_scale(const rb_paired_score *scores, size_t n_scores, size_t n_things,
                          rb_arena *arena, double *values, size_t *group)
{
  for (size_t k = 0; k < n_scores; k++)
    if (scores[k].judged >= n_things || scores[k].against >= n_things ||
        scores[k].judged == scores[k].against)
      return RB_BAD_ARG;
  rb_arena_mark mark = rb_arena_save(arena);
  double *matrix = rb_arena_doubles(arena, n_things * n_things);
  double *right = rb_arena_doubles(arena, n_things);
  if (!matrix || !right)
    return RB_NO_MEM;
  find_groups(scores, n_scores, n_things, group);
  fill_equations(scores, n_scores, n_things, group, matrix, right);
  solve(matrix, right, n_things, values);
  rb_arena_rewind(arena, mark);
  return RB_OK;
}
