// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/heard.h"

#include <math.h>
#include <string.h>

static const rb_link links[] = {
#define MORE RB_LINK_MORE
#define LESS RB_LINK_LESS
#define NEARER RB_LINK_NEARER
#define LINK(attribute, rank, key, condition, direction, source)                                   \
  {#attribute, rank, #key, condition, direction, source},
#include "rollbook/judge/links.def"
#undef LINK
#undef NEARER
#undef LESS
#undef MORE
};

const rb_link *rb_links(size_t *n)
{
  *n = RB_LEN(links);
  return links;
}

const char *rb_heard_word_name(rb_heard_word word)
{
  static const char *const names[] = {
      [RB_HEARD_UNMEASURED] = "nothing measures it",
      [RB_HEARD_NOT_RESOLVED] = "not resolved",
      [RB_HEARD_BACKED] = "backed",
      [RB_HEARD_OPPOSED] = "opposed",
  };
  return (unsigned)word < RB_LEN(names) ? names[word] : "unknown";
}

static bool speaks_for(const rb_link *link, const char *attribute, const rb_effect *effect)
{
  return strcmp(link->attribute, attribute) == 0 && strcmp(link->key, effect->quantity.key) == 0 &&
         strncmp(link->condition, effect->quantity.condition, strlen(link->condition)) == 0 &&
         effect->basis != RB_BASIS_NONE;
}

// +1 where the reading moved as a positive score would have it.
static int moved(const rb_link *link, const rb_effect *effect)
{
  if (effect->word != RB_CHANGED)
    return 0;
  switch (link->direction) {
  case RB_LINK_MORE:
    return effect->difference > 0 ? 1 : -1;
  case RB_LINK_LESS:
    return effect->difference < 0 ? 1 : -1;
  case RB_LINK_NEARER:
    return fabs(effect->b.value) < fabs(effect->a.value) ? 1 : -1;
  }
  return 0;
}

static rb_status collect(const rb_comparison *comparison, const char *attribute, int sign,
                         rb_arena *arena, rb_heard *heard)
{
  heard->because =
      rb_arena_alloc(arena, comparison->n_effects * RB_LEN(links) + 1, sizeof *heard->because);
  if (!heard->because)
    return RB_NO_MEM;
  int lowest_rank = 0;
  for (size_t k = 0; k < RB_LEN(links); k++)
    for (size_t i = 0; i < comparison->n_effects; i++) {
      const rb_effect *effect = &comparison->effects[i];
      if (!speaks_for(&links[k], attribute, effect))
        continue;
      if (!lowest_rank || links[k].rank < lowest_rank)
        lowest_rank = links[k].rank;
      heard->because[heard->n_because++] = (rb_because){
          .effect = effect, .link = &links[k], .points = sign * moved(&links[k], effect)};
    }
  for (size_t i = 0; i < heard->n_because; i++)
    heard->because[i].decides = heard->because[i].link->rank == lowest_rank;
  return RB_OK;
}

static rb_heard_word word_for_same(const rb_heard *heard)
{
  bool spread_known = false;
  for (size_t i = 0; i < heard->n_because; i++) {
    const rb_because *because = &heard->because[i];
    if (!because->decides)
      continue;
    if (because->effect->word == RB_CHANGED && because->effect->audible == RB_AUDIBLE_PLAUSIBLE)
      return RB_HEARD_OPPOSED;
    if (because->effect->word == RB_CHANGED)
      return RB_HEARD_NOT_RESOLVED;
    spread_known |= because->effect->basis == RB_BASIS_SITTINGS;
  }
  return spread_known ? RB_HEARD_BACKED : RB_HEARD_NOT_RESOLVED;
}

static rb_heard_word word_for(const rb_heard *heard, int score)
{
  if (!heard->n_because)
    return RB_HEARD_UNMEASURED;
  if (score == 0)
    return word_for_same(heard);
  size_t n_for = 0, n_against = 0;
  for (size_t i = 0; i < heard->n_because; i++) {
    n_for += heard->because[i].decides && heard->because[i].points > 0;
    n_against += heard->because[i].decides && heard->because[i].points < 0;
  }
  if (n_for && !n_against)
    return RB_HEARD_BACKED;
  if (n_against && !n_for)
    return RB_HEARD_OPPOSED;
  return RB_HEARD_NOT_RESOLVED;
}

rb_status rb_judge_heard(const rb_comparison *comparison, const rb_impression *impressions,
                         size_t n, rb_arena *arena, rb_heard **heard)
{
  *heard = rb_arena_alloc(arena, n, sizeof **heard);
  if (!*heard)
    return RB_NO_MEM;
  for (size_t i = 0; i < n; i++) {
    const rb_impression *impression = &impressions[i];
    rb_heard *one = &(*heard)[i];
    one->impression = impression;
    one->attribute = rb_attribute_find(impression->attribute);
    const bool turned = impression->lineup_id == comparison->lineup_a.id;
    const int score = turned ? -impression->score : impression->score;
    RB_TRY(collect(comparison, impression->attribute, score < 0 ? -1 : 1, arena, one));
    one->word = word_for(one, score);
  }
  return RB_OK;
}

const char *rb_heard_bass_note(const rb_heard *heard, size_t n)
{
  bool about_bass = false, at_loudspeaker = false;
  for (size_t i = 0; i < n; i++) {
    if (strcmp(heard[i].impression->attribute, "bass_level") != 0)
      continue;
    about_bass = true;
    for (size_t k = 0; k < heard[i].n_because; k++)
      at_loudspeaker =
          at_loudspeaker || strcmp(heard[i].because[k].effect->quantity.key, "speaker_bass") == 0;
  }
  if (!about_bass)
    return NULL;
  return at_loudspeaker
             ? "Bass level is judged at a loudspeaker's terminals, where a tube acts through "
               "output "
               "impedance and idle current; into a resistor hardly any of that shows."
             : "An ordinary change of tubes moves 30 to 100 Hz by thousandths of a decibel into a "
               "resistor, by 0.05 to 0.3 dB into a loudspeaker; without the output impedance that "
               "cannot be judged here.";
}

rb_status rb_heard_of_swap(rb_book *book, const rb_comparison *comparison, rb_arena *arena,
                           rb_heard **heard, size_t *n, rb_err *err)
{
  rb_impression *impressions = NULL;
  RB_TRY(rb_book_impressions(book, comparison->lineup_b.id, comparison->lineup_a.id, arena,
                             &impressions, n, err));
  if (rb_judge_heard(comparison, impressions, *n, arena, heard) != RB_OK)
    return rb_fail(err, RB_NO_MEM, "Memory ran out while judging what was heard.");
  return RB_OK;
}
