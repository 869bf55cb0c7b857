// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_REPORT_IN_SHORT_H
#define ROLLBOOK_SRC_REPORT_IN_SHORT_H

#include "shown.h"

// The three to six sentences a dealer would say aloud, each built from results.

enum { MOST_SENTENCES = 6, SENTENCE_SIZE = 480 };

typedef struct in_short {
  char sentences[MOST_SENTENCES][SENTENCE_SIZE];
  size_t n;
} in_short;

void in_short_of(const shown *page, const rb_comparison *comparison, in_short *out);

#endif
