// SPDX-License-Identifier: GPL-3.0-or-later
#include "rows.h"

#include "rollbook/base/text.h"

#include <math.h>
#include <string.h>

static const row_field bench_fields[] = {
    FIELD(TEXT, rb_bench, rig),
    FIELD(REAL, rb_bench, rate_hz),
    FIELD_AS(UNSIGNED, rb_bench, output_channels[0], "output_left"),
    FIELD_AS(UNSIGNED, rb_bench, output_channels[1], "output_right"),
    FIELD_AS(UNSIGNED, rb_bench, input_channels[0], "input_left"),
    FIELD_AS(UNSIGNED, rb_bench, input_channels[1], "input_right"),
    FIELD(REAL, rb_bench, load_ohm),
    FIELD(REAL, rb_bench, load_tolerance_pct),
    FIELD(REAL, rb_bench, attenuator_ratio),
    FIELD(REAL, rb_bench, mains_hz),
    FIELD(REAL, rb_bench, ceiling_dbfs),
    FIELD(REAL, rb_bench, ceiling_w),
    FIELD(REAL, rb_bench, speaker_db),
    FIELD(REAL, rb_bench, listener_m),
    FIELD(BOOL, rb_bench, calibrated),
    FIELD_AS(REAL, rb_bench, load_vrms_per_fs[0], "load_vrms_per_fs_left"),
    FIELD_AS(REAL, rb_bench, load_vrms_per_fs[1], "load_vrms_per_fs_right"),
    FIELD(REAL, rb_bench, calibration_pct),
    FIELD(TEXT, rb_bench, calibrated_at),
    FIELD_AS(SIGN, rb_bench, polarity[0], "polarity_left"),
    FIELD_AS(SIGN, rb_bench, polarity[1], "polarity_right"),
};
const row_map bench_record = {"bench", bench_fields, RB_LEN(bench_fields)};

static const row_field sitting_fields[] = {
    FIELD(INTEGER, sitting_row, bench_id),
    FIELD_AS(INTEGER, sitting_row, sitting.lineup_id, "lineup_id"),
    FIELD_AS(TEXT, sitting_row, sitting.started_at, "started_at"),
    FIELD_AS(REAL, sitting_row, sitting.powered_on_utc_s, "powered_on_utc_s"),
    FIELD_AS(REAL, sitting_row, sitting.mains_vrms, "mains_vrms"),
    FIELD_AS(REAL, sitting_row, sitting.room_degc, "room_degc"),
    FIELD_AS(REAL, sitting_row, sitting.drive_dbfs[0], "drive_left_dbfs"),
    FIELD_AS(REAL, sitting_row, sitting.drive_dbfs[1], "drive_right_dbfs"),
    FIELD_AS(TEXT, sitting_row, sitting.note, "note"),
};
const row_map sitting_record = {"sitting", sitting_fields, RB_LEN(sitting_fields)};

static const row_field pass_fields[] = {
    FIELD(INTEGER, rb_pass, sitting_id), FIELD(TEXT, rb_pass, plan),
    FIELD(TEXT, rb_pass, started_at),    FIELD(REAL, rb_pass, since_power_on_s),
    FIELD(BOOL, rb_pass, settled),       FIELD(TEXT, rb_pass, program),
};
const row_map pass_record = {"pass", pass_fields, RB_LEN(pass_fields)};

static const row_field quantity_fields[] = {
    FIELD(TEXT, rb_quantity, key),
    FIELD(CHANNEL, rb_quantity, channel),
    FIELD(TEXT, rb_quantity, condition),
    FIELD(TEXT, rb_quantity, unit),
};
const row_map quantity_record = {"quantity", quantity_fields, RB_LEN(quantity_fields)};

static const row_field capture_fields[] = {
    FIELD(INTEGER, capture_row, pass_id),
    FIELD(INTEGER, capture_row, n_bytes),
    FIELD(INTEGER, capture_row, checksum),
    FIELD_AS(TEXT, capture_row, kept.file, "file"),
    FIELD_AS(TEXT, capture_row, kept.signal, "signal"),
    FIELD_AS(TEXT, capture_row, kept.condition, "condition"),
    FIELD_AS(CHANNEL, capture_row, kept.drive, "drive"),
    FIELD_AS(REAL, capture_row, kept.drive_dbfs[0], "drive_left_dbfs"),
    FIELD_AS(REAL, capture_row, kept.drive_dbfs[1], "drive_right_dbfs"),
    FIELD_AS(COUNT, capture_row, kept.capture.n_frames, "n_frames"),
    FIELD_AS(UNSIGNED, capture_row, kept.capture.n_channels, "n_channels"),
    FIELD_AS(REAL, capture_row, kept.capture.rate_hz, "rate_hz"),
    FIELD_AS(COUNT, capture_row, kept.capture.health.clipped_frames, "clipped_frames"),
    FIELD_AS(COUNT, capture_row, kept.capture.health.lost_frames, "lost_frames"),
    FIELD_AS(COUNT, capture_row, kept.capture.health.discontinuities, "discontinuities"),
    FIELD_AS(UNSIGNED, capture_row, kept.capture.health.overruns, "overruns"),
    FIELD_AS(UNSIGNED, capture_row, kept.capture.health.underruns, "underruns"),
    FIELD_AS(BOOL, capture_row, kept.capture.health.usable, "usable"),
};
const row_map capture_record = {"capture", capture_fields, RB_LEN(capture_fields)};

rb_quantity quantity_of_reading(const rb_reading *reading)
{
  rb_quantity quantity = {.channel = reading->channel};
  memcpy(quantity.key, reading->key, sizeof quantity.key);
  memcpy(quantity.condition, reading->condition, sizeof quantity.condition);
  memcpy(quantity.unit, reading->unit, sizeof quantity.unit);
  return quantity;
}

rb_status check_reading(const rb_reading *reading, rb_err *err)
{
  if (isfinite(reading->value) && isfinite(reading->uncertainty) && isfinite(reading->floor))
    return RB_OK;
  return rb_fail(err, RB_BAD_ARG,
                 "The reading '%s' (%s, %s) is not a finite number and was not put into the book.",
                 reading->key, rb_channel_name(reading->channel), reading->condition);
}

rb_status check_name(const char *name, const char *what, rb_err *err)
{
  if (rb_text_is_name(name, RB_NAME_SIZE - 1))
    return RB_OK;
  return rb_fail(
      err, RB_BAD_ARG,
      "'%s' cannot name %s: use 1 to %d bytes of text in one line, no control characters.", name,
      what, RB_NAME_SIZE - 1);
}
