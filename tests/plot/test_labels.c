// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "../../src/plot/labels.h"

#include "rollbook/base/random.h"

#include <math.h>
#include <stdio.h>

static void labels_at_the_ends_of_close_lines_are_pushed_apart(void **state)
{
  (void)state;
  rb_random random = rb_random_seeded(3);
  for (int trial = 0; trial < 200; trial++) {
    label_set set;
    rb_text svg = {0};
    labels_begin(&set, 50, 30, 300, 200);
    size_t n = 1 + rb_random_below(&random, 6);
    for (size_t i = 0; i < n; i++)
      labels_at_end(&set, "a", "A", 350, 30 + 200 * rb_random_uniform(&random));
    labels_draw(&set, &svg);
    for (size_t i = 1; i < n; i++)
      assert_at_most(13, set.ends[i].y - set.ends[i - 1].y);
    assert_at_most(set.ends[n - 1].y, 230.001);
    assert_at_most(30 - 0.001, set.ends[0].y);
    rb_text_free(&svg);
  }
}

static bool overlap(const box *a, const box *b)
{
  return a->x < b->x + b->width && b->x < a->x + a->width && a->y < b->y + b->height &&
         b->y < a->y + a->height;
}

static void labels_beside_points_cover_neither_points_nor_each_other(void **state)
{
  (void)state;
  label_set set;
  labels_begin(&set, 0, 0, 400, 300);
  const double points[][2] = {{100, 100}, {112, 104}, {105, 118}, {395, 5}, {5, 295}};
  enum { N = RB_LEN(points) };
  for (size_t i = 0; i < N; i++)
    labels_avoid(&set, points[i][0] - 6, points[i][1] - 6, 12, 12);
  for (size_t i = 0; i < N; i++)
    labels_beside(&set, "a", "line-up", points[i][0], points[i][1], 8);
  for (size_t i = N; i < 2 * N; i++) {
    assert_true(set.boxes[i].x >= 0 && set.boxes[i].x + set.boxes[i].width <= 400);
    assert_true(set.boxes[i].y >= 0 && set.boxes[i].y + set.boxes[i].height <= 300);
    for (size_t k = 0; k < i; k++)
      assert_false(overlap(&set.boxes[i], &set.boxes[k]));
  }
}

static void more_labels_than_there_is_room_for_are_left_out(void **state)
{
  (void)state;
  label_set set;
  labels_begin(&set, 0, 0, 400, 300);
  for (int i = 0; i < 1000; i++) {
    labels_beside(&set, "a", "x", i % 400, i % 300, 8);
    labels_at_end(&set, "a", "x", 400, i % 300);
    labels_avoid(&set, 0, 0, 1, 1);
  }
  assert_int_equal(set.n_beside, MOST_LABELS);
  assert_int_equal(set.n_ends, MOST_LABELS);
  assert_int_equal(set.n_boxes, MOST_BOXES);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(labels_at_the_ends_of_close_lines_are_pushed_apart),
      cmocka_unit_test(labels_beside_points_cover_neither_points_nor_each_other),
      cmocka_unit_test(more_labels_than_there_is_room_for_are_left_out),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
