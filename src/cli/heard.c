// SPDX-License-Identifier: GPL-3.0-or-later
#include "heard.h"

#include "rollbook/report/words.h"

#include <string.h>

enum { WORDS_SIZE = 120 };

static void answer_what(rb_json *json, const rb_impression *impression)
{
  char words[WORDS_SIZE];
  rb_impression_words(impression, words, sizeof words);
  rb_json_text(json, "attribute", impression->attribute);
  rb_json_integer(json, "score", impression->score);
  rb_json_text(json, "words", words);
  rb_json_text(json, "programme", impression->programme);
  rb_json_text(json, "volume", impression->volume);
  rb_json_bool(json, "blind", impression->blind);
  rb_json_bool(json, "after_numbers", impression->after_numbers);
  rb_json_text(json, "note", impression->note);
  rb_json_text(json, "heard_at", impression->heard_at);
}

static rb_status names_of(rb_book *book, const rb_impression *impression, rb_lineup *judged,
                          rb_lineup *against, rb_err *err)
{
  RB_TRY(rb_book_lineup_by_id(book, impression->lineup_id, judged, err));
  return rb_book_lineup_by_id(book, impression->against_id, against, err);
}

rb_status rb_answer_impression(rb_console *console, rb_book *book, const rb_impression *impression,
                               rb_err *err)
{
  rb_json *json = console->answer;
  rb_lineup judged, against;
  RB_TRY(names_of(book, impression, &judged, &against, err));
  rb_json_object(json, NULL);
  rb_json_integer(json, "id", impression->id);
  rb_json_text(json, "lineup", judged.name);
  rb_json_text(json, "against", against.name);
  answer_what(json, impression);
  rb_json_end(json);
  return RB_OK;
}

static const char *how(rb_console *console, const rb_impression *impression)
{
  return rb_cell(console, "%s%s", impression->blind ? "blind" : "sighted",
                 impression->after_numbers ? ", after the numbers" : "");
}

static const char *score_words(rb_console *console, const rb_impression *impression)
{
  char words[WORDS_SIZE];
  rb_impression_words(impression, words, sizeof words);
  const char *sign = impression->score > 0 ? "+" : "";
  return rb_cell(console, "%s (%s%d)", words, sign, impression->score);
}

rb_status rb_list_impressions(rb_console *console, rb_book *book, const rb_impression *impressions,
                              size_t n, rb_err *err)
{
  static const rb_listing_column columns[] = {{"line-up", false},
                                              {"against", false},
                                              {"what was heard", false},
                                              {"programme", false},
                                              {"how", false}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < n; i++) {
    rb_lineup judged, against;
    RB_TRY(names_of(book, &impressions[i], &judged, &against, err));
    rb_listing_row(listing,
                   (const char *[]){rb_cell(console, "%s", judged.name),
                                    rb_cell(console, "%s", against.name),
                                    score_words(console, &impressions[i]), impressions[i].programme,
                                    how(console, &impressions[i])});
  }
  rb_listing_print(listing);
  return RB_OK;
}

static void answer_because(rb_json *json, const rb_because *because)
{
  const rb_effect *effect = because->effect;
  rb_json_object(json, NULL);
  rb_json_text(json, "key", effect->quantity.key);
  rb_json_text(json, "channel", rb_channel_name(effect->quantity.channel));
  rb_json_text(json, "condition", effect->quantity.condition);
  rb_json_text(json, "unit", effect->quantity.unit);
  rb_json_number(json, "difference", effect->difference);
  rb_json_numbers(json, "interval", effect->interval, 2);
  rb_json_text(json, "word", rb_effect_word_name(effect->word));
  rb_json_text(json, "audible", rb_audible_name(effect->audible));
  rb_json_integer(json, "points", because->points);
  rb_json_bool(json, "decides", because->decides);
  rb_json_text(json, "source", because->link->source);
  rb_json_end(json);
}

void rb_answer_heard(rb_json *json, const rb_heard *heard, size_t n)
{
  rb_json_array(json, "heard");
  for (size_t i = 0; i < n; i++) {
    rb_json_object(json, NULL);
    answer_what(json, heard[i].impression);
    rb_json_text(json, "word", rb_heard_word_name(heard[i].word));
    rb_json_array(json, "because");
    for (size_t k = 0; k < heard[i].n_because; k++)
      answer_because(json, &heard[i].because[k]);
    rb_json_end(json);
    rb_json_end(json);
  }
  rb_json_end(json);
}

// The readings that decide, as "bass band left +0.02 dB (not resolved)".
static const char *because_cell(rb_console *console, const rb_heard *heard)
{
  const char *cell = "";
  for (size_t i = 0; i < heard->n_because; i++) {
    const rb_because *because = &heard->because[i];
    const rb_effect *effect = because->effect;
    if (!because->decides)
      continue;
    const char *channel = effect->quantity.channel == RB_BOTH
                              ? ""
                              : rb_cell(console, " %s", rb_channel_name(effect->quantity.channel));
    cell =
        rb_cell(console, "%s%s%s%s %s (%s)", cell, cell[0] ? "; " : "",
                rb_label_words(effect->quantity.key).text, channel,
                rb_figure_change(effect->difference, effect->interval, effect->quantity.unit).text,
                rb_effect_word_name(effect->word));
  }
  return cell;
}

void rb_list_heard(rb_console *console, const rb_comparison *comparison, const rb_heard *heard,
                   size_t n)
{
  static const rb_listing_column columns[] = {
      {"verdict", false}, {"what was heard", false}, {"what was measured", false}};
  if (!n)
    return;
  rb_console_tell(console, "Heard against measured:");
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < n; i++) {
    bool turned = heard[i].impression->lineup_id == comparison->lineup_a.id;
    rb_listing_row(listing, (const char *[]){rb_heard_word_name(heard[i].word),
                                             rb_cell(console, "%s: %s; %s", turned ? "A" : "B",
                                                     score_words(console, heard[i].impression),
                                                     how(console, heard[i].impression)),
                                             because_cell(console, &heard[i])});
  }
  rb_listing_print(listing);
  const char *bass = rb_heard_bass_note(heard, n);
  if (bass)
    rb_console_tell(console, "%s", bass);
}

void rb_note_shown(rb_console *console, const int64_t *lineup_ids, size_t n)
{
  rb_book *book = NULL;
  rb_err problem = {.status = RB_OK};
  rb_status status = rb_book_open(console->book_folder, RB_BOOK_WRITE, &book, &problem);
  for (size_t i = 0; i < n && status == RB_OK; i++)
    status = rb_book_mark_shown(book, lineup_ids[i], &problem);
  rb_book_close(book);
  if (status != RB_OK)
    rb_console_say(console,
                   "The book could not note that these numbers were shown, so what is heard from "
                   "now on will not be marked as after them. %s",
                   problem.message);
}
