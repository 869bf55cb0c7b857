// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_READING_H
#define ROLLBOOK_MODEL_READING_H

#include "rollbook/model/channel.h"

#include <stdbool.h>
#include <stddef.h>

enum {
  RB_KEY_SIZE = 24,       ///< Bytes of a reading's key with its NUL.
  RB_CONDITION_SIZE = 64, ///< Bytes of a condition.
  RB_UNIT_SIZE = 12,      ///< Bytes of a unit.
};

/// One number with what must be known to trust it.
///
/// Where `resolved` is false, `value` is an upper bound ("below 0.002 %"). `uncertainty` is one
/// standard uncertainty from the capture's own noise (JCGM 100, 4.2); calibration is kept apart,
/// since it cancels in a swap. `floor` is the value this bench could not tell from nothing, 0 for
/// quantities that have none (a frequency, a level).
typedef struct rb_reading {
  char key[RB_KEY_SIZE];             ///< One of model/reading_keys.def.
  rb_channel channel;                ///<
  char condition[RB_CONDITION_SIZE]; ///< Signal and level it holds for: "tone-1k 1 W".
  double value;                      ///<
  char unit[RB_UNIT_SIZE];           ///< "dB", "%", "Hz", "V", "dBFS", …
  double uncertainty;                ///< Same unit, ≥ 0.
  double floor;                      ///< Same unit.
  bool resolved;                     ///<
} rb_reading;

/// What a reading is called and how it is written: one row of model/reading_keys.def.
typedef struct rb_reading_kind {
  const char *key;
  const char *label;       ///< As it stands in tables: "Second harmonic".
  const char *unit;        ///< Default unit.
  const char *group;       ///< Heading it is listed under: "Distortion".
  const char *explanation; ///< Half a sentence for a reader who never measured.
} rb_reading_kind;

/// The row for `key`, or NULL for a key this version does not know.
const rb_reading_kind *rb_reading_kind_find(const char *key);

/// The rows in the order of the tables; `*n` of them.
const rb_reading_kind *rb_reading_kinds(size_t *n);

/// Same key, channel and condition: the two readings may be compared.
bool rb_reading_matches(const rb_reading *a, const rb_reading *b);

#endif
