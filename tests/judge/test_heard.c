// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/judge/heard.h"

#include <string.h>

typedef struct fixture {
  rb_arena *arena;
  rb_effect effects[6];
  rb_comparison comparison;
} fixture;

static fixture make(void)
{
  fixture f = {.arena = rb_arena_new(0)};
  f.comparison.lineup_a.id = 1;
  f.comparison.lineup_b.id = 2;
  return f;
}

static rb_effect *add(fixture *f, const char *key, const char *condition, double a, double b,
                      bool changed)
{
  rb_effect *effect = &f->effects[f->comparison.n_effects++];
  f->comparison.effects = f->effects;
  strcpy(effect->quantity.key, key);
  strcpy(effect->quantity.condition, condition);
  effect->a.value = a;
  effect->b.value = b;
  effect->difference = b - a;
  effect->basis = RB_BASIS_SITTINGS;
  effect->word = changed ? RB_CHANGED : RB_NOT_RESOLVED;
  effect->audible = RB_AUDIBLE_PLAUSIBLE;
  return effect;
}

static rb_heard judged(fixture *f, const char *attribute, int score)
{
  static rb_impression impression;
  impression = (rb_impression){.lineup_id = 2, .against_id = 1, .score = score};
  strcpy(impression.attribute, attribute);
  rb_heard *heard = NULL;
  assert_int_equal(rb_judge_heard(&f->comparison, &impression, 1, f->arena, &heard), RB_OK);
  return heard[0];
}

static void the_right_direction_is_backed_and_the_wrong_one_opposed(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "treble_band", "sweep 1 W", -1.0, -0.6, true);
  assert_int_equal(judged(&f, "treble_extension", 2).word, RB_HEARD_BACKED);
  assert_int_equal(judged(&f, "treble_extension", -1).word, RB_HEARD_OPPOSED);
  assert_int_equal(judged(&f, "treble_extension", -1).because[0].points, -1);
  rb_arena_free(f.arena);
}

static void no_measured_change_is_not_resolved(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "treble_band", "sweep 1 W", -1.0, -0.99, false);
  assert_int_equal(judged(&f, "treble_extension", 2).word, RB_HEARD_NOT_RESOLVED);
  assert_int_equal(judged(&f, "treble_extension", 0).word, RB_HEARD_BACKED);
  rb_arena_free(f.arena);
}

static void what_nothing_measures_is_said_so(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "treble_band", "sweep 1 W", -1.0, -0.6, true);
  assert_int_equal(judged(&f, "stage_depth", 2).word, RB_HEARD_UNMEASURED);
  assert_int_equal(judged(&f, "bass_level", 1).word, RB_HEARD_UNMEASURED);
  rb_arena_free(f.arena);
}

static void readings_that_point_both_ways_settle_nothing(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "noise_a", "silence", 3e-4, 2e-4, true);
  add(&f, "hum_2x", "silence", 1e-4, 9e-4, true);
  rb_heard heard = judged(&f, "noise", 1);
  assert_int_equal(heard.word, RB_HEARD_NOT_RESOLVED);
  assert_int_equal(heard.n_because, 2);
  rb_arena_free(f.arena);
}

// Into a resistor the bass did not move; into the loudspeaker it did, and that is what was heard.
static void bass_is_judged_at_the_loudspeaker_where_that_is_known(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "bass_band", "sweep 1 W", -0.02, -0.03, true);
  assert_int_equal(judged(&f, "bass_level", 1).word, RB_HEARD_OPPOSED);
  add(&f, "speaker_bass", "sweep 1 W", 0.8, 1.1, true);
  rb_heard heard = judged(&f, "bass_level", 1);
  assert_int_equal(heard.word, RB_HEARD_BACKED);
  size_t decisive = 0;
  for (size_t i = 0; i < heard.n_because; i++)
    decisive += heard.because[i].decides;
  assert_int_equal(decisive, 1);
  rb_arena_free(f.arena);
}

static void balance_is_better_nearer_to_zero(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "balance", "sweep 1 W", -0.9, 0.1, true);
  assert_int_equal(judged(&f, "stage_width", 1).word, RB_HEARD_BACKED);
  rb_arena_free(f.arena);
}

static void an_impression_the_other_way_round_is_turned(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "treble_band", "sweep 1 W", -1.0, -0.6, true);
  rb_impression impression = {
      .lineup_id = 1, .against_id = 2, .score = -2, .attribute = "treble_extension"};
  rb_heard *heard = NULL;
  assert_int_equal(rb_judge_heard(&f.comparison, &impression, 1, f.arena, &heard), RB_OK);
  assert_int_equal(heard[0].word, RB_HEARD_BACKED);
  rb_arena_free(f.arena);
}

static void every_link_names_an_attribute_a_reading_and_a_source(void **state)
{
  (void)state;
  size_t n = 0;
  const rb_link *links = rb_links(&n);
  assert_true(n > 15);
  for (size_t i = 0; i < n; i++) {
    assert_non_null(rb_attribute_find(links[i].attribute));
    assert_non_null(rb_reading_kind_find(links[i].key));
    assert_true(strlen(links[i].source) > 10);
  }
}

static void scores_have_words(void **state)
{
  (void)state;
  char words[64];
  rb_impression impression = {.attribute = "bass_level", .score = 1};
  rb_impression_words(&impression, words, sizeof words);
  assert_string_equal(words, "slightly more bass");
  impression.score = -3;
  rb_impression_words(&impression, words, sizeof words);
  assert_string_equal(words, "much less bass");
  impression.score = 0;
  rb_impression_words(&impression, words, sizeof words);
  assert_string_equal(words, "the same");
}

static void a_verdict_on_bass_level_says_what_a_resistor_hides(void **state)
{
  (void)state;
  fixture f = make();
  add(&f, "bass_band", "sweep 1 W", -0.02, -0.03, true);
  rb_heard heard = judged(&f, "bass_level", 1);
  assert_non_null(strstr(rb_heard_bass_note(&heard, 1), "cannot be judged here"));
  add(&f, "speaker_bass", "sweep 1 W", 0.8, 1.1, true);
  heard = judged(&f, "bass_level", 1);
  assert_non_null(strstr(rb_heard_bass_note(&heard, 1), "at a loudspeaker's terminals"));
  heard = judged(&f, "noise", 1);
  assert_null(rb_heard_bass_note(&heard, 1));
  rb_arena_free(f.arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_right_direction_is_backed_and_the_wrong_one_opposed),
      cmocka_unit_test(no_measured_change_is_not_resolved),
      cmocka_unit_test(what_nothing_measures_is_said_so),
      cmocka_unit_test(readings_that_point_both_ways_settle_nothing),
      cmocka_unit_test(a_verdict_on_bass_level_says_what_a_resistor_hides),
      cmocka_unit_test(bass_is_judged_at_the_loudspeaker_where_that_is_known),
      cmocka_unit_test(balance_is_better_nearer_to_zero),
      cmocka_unit_test(an_impression_the_other_way_round_is_turned),
      cmocka_unit_test(every_link_names_an_attribute_a_reading_and_a_source),
      cmocka_unit_test(scores_have_words),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
