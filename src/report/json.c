// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/report/json.h"

#include "rollbook/base/build_info.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { DEEPEST = 16 };

// One open object or array. `name` is its place in the one above, NULL for an array's element.
typedef struct level {
  json_t *value;
  char name[48];
} level;

struct rb_json {
  json_t *root;
  json_t *not_numbers;
  level levels[DEEPEST];
  size_t depth;
  rb_status failed;
};

void rb_json_free(rb_json *json)
{
  if (!json)
    return;
  json_decref(json->root);
  json_decref(json->not_numbers);
  free(json);
}

static void fail(rb_json *json, rb_status status)
{
  if (json->failed == RB_OK)
    json->failed = status;
}

static level *innermost(rb_json *json)
{
  return &json->levels[json->depth - 1];
}

// Puts `value` (taken over, NULL when memory was out) into the innermost object or array.
static bool put(rb_json *json, const char *name, json_t *value)
{
  if (!value) {
    fail(json, RB_NO_MEM);
    return false;
  }
  json_t *into = innermost(json)->value;
  bool array = json_is_array(into);
  if (array == (name != NULL) || (!array && json_object_get(into, name))) {
    json_decref(value);
    fail(json, RB_BUG);
    return false;
  }
  int refused =
      array ? json_array_append_new(into, value) : json_object_set_new_nocheck(into, name, value);
  if (refused)
    fail(json, RB_NO_MEM);
  return !refused;
}

static json_t *valid_string(const char *text)
{
  rb_text valid = {0};
  rb_text_add_valid(&valid, text);
  json_t *string =
      valid.failed ? NULL : json_stringn_nocheck(valid.length ? valid.bytes : "", valid.length);
  rb_text_free(&valid);
  return string;
}

rb_json *rb_json_new(const char *command)
{
  rb_json *json = calloc(1, sizeof *json);
  if (!json)
    return NULL;
  json->root = json_object();
  json->not_numbers = json_array();
  if (!json->root || !json->not_numbers) {
    json_decref(json->root);
    json_decref(json->not_numbers);
    free(json);
    return NULL;
  }
  json->levels[0].value = json->root;
  json->depth = 1;
  rb_json_text(json, "rollbook", rb_build()->version);
  rb_json_text(json, "command", command);
  return json;
}

static void begin(rb_json *json, const char *name, json_t *value)
{
  if (json->depth == DEEPEST) {
    json_decref(value);
    fail(json, RB_BUG);
    return;
  }
  if (!put(json, name, value))
    return;
  level *opened = &json->levels[json->depth++];
  opened->value = value;
  rb_text_copy(opened->name, sizeof opened->name, name ? name : "");
}

void rb_json_object(rb_json *json, const char *name)
{
  if (json)
    begin(json, name, json_object());
}

void rb_json_array(rb_json *json, const char *name)
{
  if (json)
    begin(json, name, json_array());
}

void rb_json_end(rb_json *json)
{
  if (!json)
    return;
  if (json->depth > 1)
    json->depth--;
  else
    fail(json, RB_BUG);
}

void rb_json_text(rb_json *json, const char *name, const char *text)
{
  if (json && text)
    put(json, name, valid_string(text));
}

// Adds ".name" or "[index]" to a place.
static void add_step(rb_text *place, const json_t *above, const char *name, size_t index)
{
  if (json_is_array(above))
    rb_text_printf(place, "[%zu]", index);
  else
    rb_text_printf(place, "%s%s", place->length ? "." : "", name);
}

// Lists the place of a number that is none. `index` < SIZE_MAX names an element of it.
static void mark(rb_json *json, const char *name, size_t index)
{
  rb_text place = {0};
  for (size_t i = 1; i < json->depth; i++) {
    const json_t *above = json->levels[i - 1].value;
    add_step(&place, above, json->levels[i].name, json_array_size(above) - 1);
  }
  const json_t *into = innermost(json)->value;
  add_step(&place, into, name, json_array_size(into));
  if (index != SIZE_MAX)
    rb_text_printf(&place, "[%zu]", index);
  if (place.failed || json_array_append_new(json->not_numbers, valid_string(place.bytes)))
    fail(json, RB_NO_MEM);
  rb_text_free(&place);
}

void rb_json_number(rb_json *json, const char *name, double number)
{
  if (!json)
    return;
  if (isfinite(number))
    put(json, name, json_real(number));
  else
    mark(json, name ? name : "", SIZE_MAX);
}

void rb_json_integer(rb_json *json, const char *name, int64_t integer)
{
  if (json)
    put(json, name, json_integer((json_int_t)integer));
}

void rb_json_bool(rb_json *json, const char *name, bool value)
{
  if (json)
    put(json, name, json_boolean(value));
}

static json_t *number_array(rb_json *json, const double *numbers, const bool *left_out, size_t n)
{
  json_t *array = json_array();
  for (size_t i = 0; array && i < n; i++)
    if ((!left_out || !left_out[i]) && json_array_append_new(array, json_real(numbers[i])))
      fail(json, RB_NO_MEM);
  return array;
}

void rb_json_numbers(rb_json *json, const char *name, const double *numbers, size_t n)
{
  if (!json)
    return;
  for (size_t i = 0; i < n; i++)
    if (!isfinite(numbers[i])) {
      mark(json, name ? name : "", SIZE_MAX);
      return;
    }
  put(json, name, number_array(json, numbers, NULL, n));
}

void rb_json_texts(rb_json *json, const char *name, const char *const *texts, size_t n)
{
  rb_json_array(json, name);
  for (size_t i = 0; i < n; i++)
    rb_json_text(json, NULL, texts[i]);
  rb_json_end(json);
}

void rb_json_reading_members(rb_json *json, const rb_reading *reading)
{
  rb_json_text(json, "key", reading->key);
  rb_json_text(json, "channel", rb_channel_name(reading->channel));
  rb_json_text(json, "condition", reading->condition);
  rb_json_number(json, "value", reading->value);
  rb_json_text(json, "unit", reading->unit);
  rb_json_number(json, "uncertainty", reading->uncertainty);
  rb_json_number(json, "floor", reading->floor);
  rb_json_bool(json, "resolved", reading->resolved);
}

void rb_json_readings(rb_json *json, const char *name, const rb_reading *readings, size_t n)
{
  rb_json_array(json, name);
  for (size_t i = 0; i < n; i++) {
    rb_json_object(json, NULL);
    rb_json_reading_members(json, &readings[i]);
    rb_json_end(json);
  }
  rb_json_end(json);
}

static void curve_points(rb_json *json, const rb_curve *curve)
{
  bool *left_out = calloc(curve->n ? curve->n : 1, sizeof *left_out);
  if (!left_out) {
    fail(json, RB_NO_MEM);
    return;
  }
  for (size_t i = 0; i < curve->n; i++) {
    left_out[i] = !isfinite(curve->x[i]) || !isfinite(curve->y[i]) ||
                  (curve->uncertainty && !isfinite(curve->uncertainty[i]));
    if (left_out[i])
      mark(json, "y", i);
  }
  put(json, "x", number_array(json, curve->x, left_out, curve->n));
  put(json, "y", number_array(json, curve->y, left_out, curve->n));
  if (curve->uncertainty)
    put(json, "y_uncertainty", number_array(json, curve->uncertainty, left_out, curve->n));
  free(left_out);
}

void rb_json_curves(rb_json *json, const char *name, const rb_curve *curves, size_t n)
{
  if (!json)
    return;
  rb_json_array(json, name);
  for (size_t i = 0; i < n; i++) {
    rb_json_object(json, NULL);
    rb_json_text(json, "key", curves[i].key);
    rb_json_text(json, "channel", rb_channel_name(curves[i].channel));
    rb_json_text(json, "condition", curves[i].condition);
    rb_json_text(json, "x_unit", curves[i].x_unit);
    rb_json_text(json, "y_unit", curves[i].y_unit);
    curve_points(json, &curves[i]);
    rb_json_end(json);
  }
  rb_json_end(json);
}

void rb_json_results(rb_json *json, const rb_results *results)
{
  rb_json_readings(json, "readings", results->readings, results->n_readings);
  rb_json_curves(json, "curves", results->curves, results->n_curves);
}

void rb_json_health(rb_json *json, const char *name, const rb_health *health)
{
  rb_json_object(json, name);
  rb_json_integer(json, "clipped_frames", (int64_t)health->clipped_frames);
  rb_json_integer(json, "lost_frames", (int64_t)health->lost_frames);
  rb_json_integer(json, "discontinuities", (int64_t)health->discontinuities);
  rb_json_integer(json, "overruns", health->overruns);
  rb_json_integer(json, "underruns", health->underruns);
  rb_json_bool(json, "usable", health->usable);
  rb_json_end(json);
}

rb_status rb_json_finish(rb_json *json, rb_text *text, rb_err *err)
{
  if (!json)
    return rb_fail(err, RB_NO_MEM, "Out of memory while writing JSON.");
  if (json->depth != 1)
    fail(json, RB_BUG);
  if (json_array_size(json->not_numbers))
    put(json, "not_numbers", json_incref(json->not_numbers));
  if (json->failed == RB_BUG)
    return rb_fail(err, RB_BUG,
                   "The JSON answer was built in the wrong order; please report this.");
  char *bytes = json_dumps(json->root, JSON_REAL_PRECISION(15));
  if (bytes && json->failed == RB_OK) {
    rb_text_add(text, bytes);
    rb_text_add(text, "\n");
  }
  bool out_of_memory = !bytes || json->failed != RB_OK || text->failed;
  free(bytes);
  return out_of_memory ? rb_fail(err, RB_NO_MEM, "Out of memory while writing JSON.") : RB_OK;
}
