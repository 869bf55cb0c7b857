// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_JUDGE_HEARD_H
#define ROLLBOOK_JUDGE_HEARD_H

#include "rollbook/judge/compare.h"
#include "rollbook/model/impression.h"

/// Heard against measured: each impression is set against the readings that judge/links.def ties to
/// its attribute.

typedef enum rb_heard_word {
  RB_HEARD_UNMEASURED,   ///< No linked reading was measured on both line-ups.
  RB_HEARD_NOT_RESOLVED, ///< None of them changed, or those that did point both ways.
  RB_HEARD_BACKED,       ///< Those that changed point the way the ear said.
  RB_HEARD_OPPOSED,      ///< … the other way.
} rb_heard_word;

/// "nothing measures it", "not resolved", "backed" or "opposed".
const char *rb_heard_word_name(rb_heard_word word);

/// A reading tied to an attribute: one row of judge/links.def.
typedef struct rb_link {
  const char *attribute;
  int rank; ///< 1 decides where it was measured; higher ranks decide only where no lower one was.
  const char *key;
  const char *condition;
  enum { RB_LINK_MORE, RB_LINK_LESS, RB_LINK_NEARER } direction;
  const char *source;
} rb_link;

/// The rows in their order; `*n` of them.
const rb_link *rb_links(size_t *n);

/// One reading's say on an impression.
typedef struct rb_because {
  const rb_effect *effect; ///< Of the comparison.
  const rb_link *link;     ///<
  int points;              ///< +1 the way heard, −1 the other way, 0 where nothing changed.
  bool decides;            ///< False where a reading of a lower rank was measured.
} rb_because;

typedef struct rb_heard {
  const rb_impression *impression;
  const rb_attribute *attribute; ///< NULL for a key this version does not know.
  rb_heard_word word;
  rb_because *because;
  size_t n_because;
} rb_heard;

/// Judges `n` impressions of comparison->lineup_b against lineup_a. An impression the other way
/// round (A against B) is judged with its sign turned. A score of 0 ("the same") is backed where
/// linked readings were measured with a known spread and none changed, opposed where one changed
/// and may plausibly be heard. The result has `n` entries in `arena`. RB_NO_MEM.
RB_NODISCARD rb_status rb_judge_heard(const rb_comparison *comparison,
                                      const rb_impression *impressions, size_t n, rb_arena *arena,
                                      rb_heard **heard);

/// The same for all impressions of the two line-ups that the book holds, oldest first; `*n` of
/// them.
RB_NODISCARD rb_status rb_heard_of_swap(rb_book *book, const rb_comparison *comparison,
                                        rb_arena *arena, rb_heard **heard, size_t *n, rb_err *err);

/// What a reader must know of verdicts on bass level, or NULL where none of them is about it: a
/// resistor hides most of what a tube does to the bass of a loudspeaker.
const char *rb_heard_bass_note(const rb_heard *heard, size_t n);

#endif
