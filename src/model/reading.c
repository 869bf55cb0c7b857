// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/reading.h"

#include <string.h>

static const rb_reading_kind kinds[] = {
#define KEY(key, label, unit, group, explanation) {#key, label, unit, group, explanation},
#include "rollbook/model/reading_keys.def"
#undef KEY
};

const rb_reading_kind *rb_reading_kinds(size_t *n)
{
  *n = RB_LEN(kinds);
  return kinds;
}

const rb_reading_kind *rb_reading_kind_find(const char *key)
{
  for (size_t i = 0; i < RB_LEN(kinds); i++)
    if (strcmp(kinds[i].key, key) == 0)
      return &kinds[i];
  return NULL;
}

bool rb_reading_matches(const rb_reading *a, const rb_reading *b)
{
  return a->channel == b->channel && strcmp(a->key, b->key) == 0 &&
         strcmp(a->condition, b->condition) == 0;
}
