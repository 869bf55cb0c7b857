// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/report/json.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

static json_t *read_back(rb_json *json)
{
  rb_text text = {0};
  rb_err err = {0};
  assert_int_equal(rb_json_finish(json, &text, &err), RB_OK);
  assert_int_equal(text.bytes[text.length - 1], '\n');
  json_t *root = json_loads(text.bytes, JSON_REJECT_DUPLICATES, NULL);
  assert_non_null(root);
  rb_text_free(&text);
  rb_json_free(json);
  return root;
}

static void every_answer_names_its_version_and_command(void **state)
{
  (void)state;
  json_t *root = read_back(rb_json_new("lineup list"));
  assert_string_equal(json_string_value(json_object_get(root, "command")), "lineup list");
  assert_true(json_string_length(json_object_get(root, "rollbook")) > 0);
  assert_null(json_object_get(root, "not_numbers"));
  json_decref(root);
}

static void a_reading_has_the_documented_members(void **state)
{
  (void)state;
  rb_reading reading = {.key = "h2",
                        .channel = RB_RIGHT,
                        .condition = "tone-1k 1 W",
                        .value = -60.1,
                        .unit = "dB",
                        .uncertainty = 0.1,
                        .floor = -120,
                        .resolved = true};
  rb_json *json = rb_json_new("analyze");
  rb_json_readings(json, "readings", &reading, 1);
  json_t *root = read_back(json);
  json_t *first = json_array_get(json_object_get(root, "readings"), 0);
  assert_int_equal(json_object_size(first), 8);
  assert_string_equal(json_string_value(json_object_get(first, "channel")), "right");
  assert_near(json_real_value(json_object_get(first, "value")), -60.1, 0);
  assert_true(json_is_true(json_object_get(first, "resolved")));
  json_decref(root);
}

static void a_tenth_is_written_as_a_tenth(void **state)
{
  (void)state;
  rb_json *json = rb_json_new("x");
  rb_json_number(json, "tenth", 0.1);
  rb_text text = {0};
  assert_int_equal(rb_json_finish(json, &text, NULL), RB_OK);
  assert_non_null(strstr(text.bytes, "\"tenth\": 0.1}"));
  rb_text_free(&text);
  rb_json_free(json);
}

static void a_number_that_is_none_is_left_out_and_its_place_listed(void **state)
{
  (void)state;
  rb_reading readings[2] = {{.key = "h2", .unit = "dB", .value = 1},
                            {.key = "h3", .unit = "dB", .value = 2, .uncertainty = NAN}};
  const double interval[2] = {1, INFINITY};
  rb_json *json = rb_json_new("x");
  rb_json_readings(json, "readings", readings, 2);
  rb_json_numbers(json, "interval", interval, 2);
  json_t *root = read_back(json);
  json_t *second = json_array_get(json_object_get(root, "readings"), 1);
  assert_null(json_object_get(second, "uncertainty"));
  assert_null(json_object_get(root, "interval"));
  json_t *marked = json_object_get(root, "not_numbers");
  assert_int_equal(json_array_size(marked), 2);
  assert_string_equal(json_string_value(json_array_get(marked, 0)), "readings[1].uncertainty");
  assert_string_equal(json_string_value(json_array_get(marked, 1)), "interval");
  json_decref(root);
}

static void a_curve_loses_only_the_point_that_is_no_number(void **state)
{
  (void)state;
  const double x[] = {1, 2, 3}, y[] = {10, NAN, 30}, u[] = {0.1, 0.2, 0.3};
  rb_curve curve = {.key = "response", .x_unit = "Hz", .y_unit = "dB", .x = x, .y = y, .n = 3};
  curve.uncertainty = u;
  rb_json *json = rb_json_new("x");
  rb_json_curves(json, "curves", &curve, 1);
  json_t *root = read_back(json);
  json_t *only = json_array_get(json_object_get(root, "curves"), 0);
  const char *const members[] = {"x", "y", "y_uncertainty"};
  for (size_t i = 0; i < RB_LEN(members); i++)
    assert_int_equal(json_array_size(json_object_get(only, members[i])), 2);
  assert_near(json_real_value(json_array_get(json_object_get(only, "x"), 1)), 3, 0);
  json_t *marked = json_object_get(root, "not_numbers");
  assert_string_equal(json_string_value(json_array_get(marked, 0)), "curves[0].y[1]");
  json_decref(root);
}

static void text_of_any_bytes_makes_valid_json(void **state)
{
  (void)state;
  rb_json *json = rb_json_new("x");
  rb_json_text(json, "file", "a\"b\\c\xff\xc3\xa9\n\x1b</script>");
  rb_json_text(json, "none", NULL);
  json_t *root = read_back(json);
  assert_string_equal(json_string_value(json_object_get(root, "file")),
                      "a\"b\\c\xEF\xBF\xBD\xc3\xa9\n\xEF\xBF\xBD</script>");
  assert_null(json_object_get(root, "none"));
  json_decref(root);
}

typedef void (*mistake)(rb_json *json);

static void open_at_the_end(rb_json *json)
{
  rb_json_array(json, "a");
}

static void ended_too_often(rb_json *json)
{
  rb_json_end(json);
}

static void name_given_twice(rb_json *json)
{
  rb_json_bool(json, "a", true);
  rb_json_bool(json, "a", false);
}

static void name_in_an_array(rb_json *json)
{
  rb_json_array(json, "a");
  rb_json_integer(json, "b", 1);
  rb_json_end(json);
}

static void no_name_in_an_object(rb_json *json)
{
  rb_json_integer(json, NULL, 1);
}

static void a_wrong_order_is_found_at_the_end(void **state)
{
  (void)state;
  const mistake mistakes[] = {open_at_the_end, ended_too_often, name_given_twice, name_in_an_array,
                              no_name_in_an_object};
  for (size_t i = 0; i < RB_LEN(mistakes); i++) {
    rb_json *json = rb_json_new("x");
    mistakes[i](json);
    rb_text text = {0};
    assert_int_equal(rb_json_finish(json, &text, NULL), RB_BUG);
    assert_int_equal(text.length, 0);
    rb_text_free(&text);
    rb_json_free(json);
  }
}

static void without_memory_all_calls_do_nothing(void **state)
{
  (void)state;
  rb_health health = {0};
  rb_json_object(NULL, "a");
  rb_json_health(NULL, "health", &health);
  rb_json_numbers(NULL, "b", NULL, 0);
  rb_json_end(NULL);
  rb_text text = {0};
  rb_err err = {0};
  assert_int_equal(rb_json_finish(NULL, &text, &err), RB_NO_MEM);
  rb_json_free(NULL);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_answer_names_its_version_and_command),
      cmocka_unit_test(a_reading_has_the_documented_members),
      cmocka_unit_test(a_tenth_is_written_as_a_tenth),
      cmocka_unit_test(a_number_that_is_none_is_left_out_and_its_place_listed),
      cmocka_unit_test(a_curve_loses_only_the_point_that_is_no_number),
      cmocka_unit_test(text_of_any_bytes_makes_valid_json),
      cmocka_unit_test(a_wrong_order_is_found_at_the_end),
      cmocka_unit_test(without_memory_all_calls_do_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
