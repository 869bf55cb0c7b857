// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_REPORT_JSON_H
#define ROLLBOOK_REPORT_JSON_H

#include "rollbook/base/error.h"
#include "rollbook/base/text.h"
#include "rollbook/model/capture.h"
#include "rollbook/model/results.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/// The answer to a command as one JSON object (RFC 8259), built from top to bottom like a stack:
///
///     rb_json *json = rb_json_new("lineup list");
///     rb_json_array(json, "lineups");
///       rb_json_object(json, NULL);
///         rb_json_text(json, "name", lineup->name);
///       rb_json_end(json);
///     rb_json_end(json);
///     status = rb_json_finish(json, &text, err);
///     rb_json_free(json);
///
/// In an object every value has a name; in an array the name is NULL. Nothing needs to be checked
/// on the way: what went wrong is kept and returned by rb_json_finish.
///
/// JSON has no NaN and no infinity (RFC 8259, section 6). Such a number is left out, and its place
/// is listed in `not_numbers` at the end of the answer ("readings[3].uncertainty"); the member does
/// not exist where every number is one. Text that is not UTF-8 gets U+FFFD for each bad byte.
typedef struct rb_json rb_json;

void rb_json_free(rb_json *json); ///< NULL is allowed.

/// An object with `rollbook` (the version) and `command`. NULL when memory is out; all the calls
/// below accept NULL, and rb_json_finish then returns RB_NO_MEM.
RB_OWNED(rb_json_free) rb_json *rb_json_new(const char *command);

void rb_json_object(rb_json *json, const char *name); ///< Begins an object.
void rb_json_array(rb_json *json, const char *name);  ///< Begins an array.
void rb_json_end(rb_json *json);                      ///< Ends the innermost of the two.

void rb_json_text(rb_json *json, const char *name, const char *text); ///< NULL text: left out.
void rb_json_number(rb_json *json, const char *name, double number);
void rb_json_integer(rb_json *json, const char *name, int64_t integer);
void rb_json_bool(rb_json *json, const char *name, bool value);

/// An array of numbers. Where one of them is not finite the whole array is left out and marked, so
/// that positions never shift.
void rb_json_numbers(rb_json *json, const char *name, const double *numbers, size_t n);

/// An array of texts.
void rb_json_texts(rb_json *json, const char *name, const char *const *texts, size_t n);

/// The members of a reading, into the object that is open: key, channel, condition, value, unit,
/// uncertainty, floor, resolved. For answers that add members of their own.
void rb_json_reading_members(rb_json *json, const rb_reading *reading);

/// An array of readings.
void rb_json_readings(rb_json *json, const char *name, const rb_reading *readings, size_t n);

/// An array of curves: key, channel, condition, x_unit, y_unit, x, y, and y_uncertainty where it is
/// known. A point with a number that is not finite is left out of all of them and marked.
void rb_json_curves(rb_json *json, const char *name, const rb_curve *curves, size_t n);

/// `readings` and `curves` of one analysis.
void rb_json_results(rb_json *json, const rb_results *results);

/// clipped_frames, lost_frames, discontinuities, overruns, underruns, usable.
void rb_json_health(rb_json *json, const char *name, const rb_health *health);

/// Appends the answer and a newline to `text`. Numbers have up to 15 significant digits. RB_NO_MEM;
/// RB_BUG when begins and ends do not match or a name is missing or given twice.
RB_NODISCARD rb_status rb_json_finish(rb_json *json, rb_text *text, rb_err *err);

#endif
