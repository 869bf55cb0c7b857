// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_IMPRESSION_H
#define ROLLBOOK_MODEL_IMPRESSION_H

#include "rollbook/model/amplifier.h"

#include <stdbool.h>

enum { RB_ATTRIBUTE_SIZE = 24, RB_VOLUME_SIZE = 48 };

/// Something a listener can judge: one row of model/attributes.def.
typedef struct rb_attribute {
  const char *key;
  const char *label;
  const char *more; ///< What a positive score says: "more bass".
  const char *less; ///< What a negative score says.
} rb_attribute;

/// The rows in their order; `*n` of them.
const rb_attribute *rb_attributes(size_t *n);

/// The row for `key`, or NULL.
const rb_attribute *rb_attribute_find(const char *key);

/// What a listener noted about one line-up against another.
typedef struct rb_impression {
  int64_t id;
  int64_t lineup_id;                 ///< The one judged …
  int64_t against_id;                ///< … against this one.
  char attribute[RB_ATTRIBUTE_SIZE]; ///< Key of model/attributes.def.
  int score;                         ///< −3 … +3: the comparison scale of ITU-R BS.562.
  char programme[RB_NAME_SIZE];      ///< What was played; "" where not entered.
  char volume[RB_VOLUME_SIZE];       ///< How loud, in the listener's words: "75 dB at the seat".
  bool blind;                        ///< The listener did not know which line-up played.
  bool after_numbers;                ///< Entered after numbers of either line-up had been shown.
  char note[RB_NOTE_SIZE];
  char heard_at[32]; ///< UTC, ISO 8601.
} rb_impression;

/// "much", "clearly" or "slightly" and the attribute's words, or "the same": "slightly more bass".
void rb_impression_words(const rb_impression *impression, char *words, size_t size);

#endif
