// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/impression.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const rb_attribute attributes[] = {
#define ATTRIBUTE(key, label, more, less) {#key, label, more, less},
#include "rollbook/model/attributes.def"
#undef ATTRIBUTE
};

const rb_attribute *rb_attributes(size_t *n)
{
  *n = RB_LEN(attributes);
  return attributes;
}

const rb_attribute *rb_attribute_find(const char *key)
{
  for (size_t i = 0; i < RB_LEN(attributes); i++)
    if (strcmp(attributes[i].key, key) == 0)
      return &attributes[i];
  return NULL;
}

void rb_impression_words(const rb_impression *impression, char *words, size_t size)
{
  static const char *const degrees[] = {"", "slightly", "clearly", "much"};
  const rb_attribute *attribute = rb_attribute_find(impression->attribute);
  const int degree = abs(impression->score);
  if (impression->score == 0 || !attribute || degree >= (int)RB_LEN(degrees))
    snprintf(words, size, "the same");
  else
    snprintf(words, size, "%s %s", degrees[degree],
             impression->score > 0 ? attribute->more : attribute->less);
}
