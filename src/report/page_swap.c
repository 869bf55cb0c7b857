// SPDX-License-Identifier: GPL-3.0-or-later
#include "page.h"

#include "in_short.h"
#include "tables.h"

#include "rollbook/report/words.h"

#include <stdio.h>
#include <string.h>

static void tube_words(rb_text *text, const char *label)
{
  rb_text_add(text, label[0] ? label : "no tube entered");
}

// "V3: old out, new in"; or how many sockets changed.
void page_swap_title(const rb_comparison *comparison, rb_text *title)
{
  if (comparison->n_sockets_changed == 0)
    rb_text_printf(title, "%s against %s: the same tubes", comparison->lineup_b.name,
                   comparison->lineup_a.name);
  for (size_t i = 0; i < comparison->n_sockets_changed && i < 2; i++) {
    const rb_socket_change *change = &comparison->sockets_changed[i];
    rb_text_printf(title, "%s%s: ", i ? "; " : "", change->socket->name);
    if (strcmp(change->tube_a, change->tube_b) == 0) {
      rb_text_printf(title, "%s at another bias", change->tube_a);
      continue;
    }
    tube_words(title, change->tube_a);
    rb_text_add(title, " out, ");
    tube_words(title, change->tube_b);
    rb_text_add(title, " in");
  }
  if (comparison->n_sockets_changed > 2)
    rb_text_printf(title, "; and %zu more sockets", comparison->n_sockets_changed - 2);
}

static void write_place(html_writer *page, const swap_page *data)
{
  const rb_comparison *comparison = data->comparison;
  html_open(page, "p", "class", "place", NULL);
  for (size_t i = 0; i < comparison->n_sockets_changed; i++) {
    const rb_socket *socket = comparison->sockets_changed[i].socket;
    html_printf(page, "%s%s is the %s", i ? "; " : "", socket->name, rb_role_name(socket->role));
    if (socket->channel != RB_BOTH)
      html_printf(page, ", %s channel", rb_channel_name(socket->channel));
  }
  html_printf(page, "%s%s", comparison->n_sockets_changed ? ". " : "",
              comparison->lineup_a.amplifier.name);
  if (comparison->n_order)
    html_printf(page, ", %.10s", comparison->order[comparison->n_order - 1].started_at);
  html_text(page, ".");
  html_close(page);
}

static void write_sides(html_writer *page, const rb_comparison *comparison)
{
  html_open(page, "dl", "class", "sides", NULL);
  html_element(page, "dt", "a", "A");
  html_open(page, "dd", NULL);
  html_printf(page, "%s, what was there before", comparison->lineup_a.name);
  html_close(page);
  html_element(page, "dt", "b", "B");
  html_open(page, "dd", NULL);
  html_printf(page, "%s, what came in", comparison->lineup_b.name);
  html_close(page);
  html_close(page);
}

static void write_short(html_writer *page, const shown *data, const rb_comparison *comparison)
{
  in_short sentences;
  in_short_of(data, comparison, &sentences);
  html_element(page, "h2", NULL, "In short");
  html_open(page, "ul", "class", "short", NULL);
  for (size_t i = 0; i < sentences.n; i++)
    html_element(page, "li", NULL, sentences.sentences[i]);
  html_close(page);
}

// The other channel's say on the same reading.
static const rb_because *sister(const rb_heard *heard, size_t index)
{
  const rb_quantity *q = &heard->because[index].effect->quantity;
  for (size_t i = 0; i < heard->n_because; i++) {
    const rb_quantity *other = &heard->because[i].effect->quantity;
    if (other->channel != q->channel && heard->because[i].decides &&
        strcmp(other->key, q->key) == 0 && strcmp(other->condition, q->condition) == 0)
      return &heard->because[i];
  }
  return NULL;
}

static void effect_words(html_writer *page, const rb_effect *effect)
{
  const char *unit = rb_unit_of_change(effect->quantity.unit);
  if (effect->quantity.channel != RB_BOTH)
    html_printf(page, "%s ", rb_channel_name(effect->quantity.channel));
  if (effect->basis == RB_BASIS_NONE)
    html_text(page, "too small to measure");
  else
    html_printf(page, "%s (%s)", rb_figure_change(effect->difference, effect->interval, unit).text,
                rb_effect_word_name(effect->word));
}

// One line a reading: "Bass, 30 to 120 Hz: left +0.004 dB (not resolved), right …".
static void write_because(html_writer *page, const rb_heard *heard)
{
  size_t told = 0;
  for (size_t i = 0; i < heard->n_because; i++) {
    const rb_effect *effect = heard->because[i].effect;
    const rb_because *other = sister(heard, i);
    bool earlier = other && other < &heard->because[i];
    if (!heard->because[i].decides || earlier)
      continue;
    const rb_reading_kind *kind = rb_reading_kind_find(effect->quantity.key);
    html_open(page, "div", NULL);
    html_printf(page, "%s, %s: ", kind ? kind->label : effect->quantity.key,
                rb_condition_words(effect->quantity.condition).text);
    effect_words(page, effect);
    if (other) {
      html_text(page, ", ");
      effect_words(page, other->effect);
    }
    html_close(page);
    told++;
  }
  if (!told)
    html_text(page, "–");
}

static void heard_row(html_writer *page, const rb_comparison *comparison, const rb_heard *heard)
{
  const rb_impression *impression = heard->impression;
  char words[128];
  rb_impression_words(impression, words, sizeof words);
  html_open(page, "tr", NULL);
  html_element(page, "td", "verdict", rb_heard_word_name(heard->word));
  html_open(page, "td", NULL);
  if (impression->lineup_id == comparison->lineup_a.id)
    html_text(page, "A against B: ");
  html_text(page, words);
  html_open(page, "small", NULL);
  html_printf(page, "%s, %s%s%s%s%s", impression->blind ? "blind" : "sighted",
              impression->after_numbers ? "after the numbers were seen" : "before the numbers",
              impression->programme[0] ? ", " : "", impression->programme,
              impression->volume[0] ? ", " : "", impression->volume);
  html_close(page);
  html_close(page);
  html_open(page, "td", NULL);
  write_because(page, heard);
  html_close(page);
  html_close(page);
}

static void write_heard(html_writer *page, const swap_page *data)
{
  static const char *const heads[] = {"Verdict", "What was heard", "What was measured"};
  if (!data->n_heard)
    return;
  html_element(page, "h2", NULL, "Heard against measured");
  html_open(page, "div", "class", "scroll", "tabindex", "0", "role", "region", "aria-label",
            "Heard against measured", NULL);
  html_open(page, "table", "class", "heard-table", NULL);
  html_open(page, "thead", NULL);
  html_open(page, "tr", NULL);
  for (size_t i = 0; i < RB_LEN(heads); i++)
    html_element(page, "th", NULL, heads[i]);
  html_close(page);
  html_close(page);
  html_open(page, "tbody", NULL);
  for (size_t i = 0; i < data->n_heard; i++)
    heard_row(page, data->comparison, &data->heard[i]);
  html_close(page);
  html_close(page);
  html_close(page);
  const char *bass = rb_heard_bass_note(data->heard, data->n_heard);
  if (bass)
    html_element(page, "p", "reading-note", bass);
}

static rb_basis best_basis(const rb_comparison *comparison)
{
  rb_basis best = RB_BASIS_NONE;
  for (size_t i = 0; i < comparison->n_effects; i++)
    if (comparison->effects[i].basis > best)
      best = comparison->effects[i].basis;
  return best;
}

static void write_order(html_writer *page, const rb_comparison *comparison)
{
  size_t n_passes = 0;
  for (size_t i = 0; i < comparison->n_order; i++)
    n_passes += comparison->order[i].n_passes;
  html_open(page, "p", NULL);
  html_printf(page, "Order of the sittings: %s (power off and cold in between), %s in all. ",
              comparison->order_text, rb_figure_count(n_passes, "pass", "passes").text);
  html_text(page, comparison->drift_removed ? "A steady drift with time was taken out. "
                                            : "No drift was taken out. ");
  html_printf(page,
              "Intervals hold 95 %%; they stand on %s. “Changed” means that the change stays "
              "beyond chance at 5 %% over all readings together (Holm 1979).",
              rb_basis_text(best_basis(comparison)));
  html_close(page);
}

// No effect before this one has the same key.
static bool is_first_of_key(const rb_comparison *comparison, size_t index)
{
  for (size_t i = 0; i < index; i++)
    if (strcmp(comparison->effects[i].quantity.key, comparison->effects[index].quantity.key) == 0)
      return false;
  return true;
}

static void begin_thresholds(html_writer *page)
{
  html_open(page, "details", NULL);
  html_element(page, "summary", NULL, "Thresholds of hearing used");
  html_open(page, "ul", NULL);
}

static void write_thresholds(html_writer *page, const rb_comparison *comparison)
{
  size_t told = 0;
  for (size_t i = 0; i < comparison->n_effects; i++) {
    const rb_effect *effect = &comparison->effects[i];
    if (!effect->source || !effect->source[0] || !is_first_of_key(comparison, i))
      continue;
    if (!told++)
      begin_thresholds(page);
    const rb_reading_kind *kind = rb_reading_kind_find(effect->quantity.key);
    html_open(page, "li", NULL);
    html_printf(page, "%s: %.400s (how far it can be trusted: %s)",
                kind ? kind->label : effect->quantity.key, effect->source, effect->confidence);
    html_close(page);
  }
  if (told) {
    html_close(page);
    html_close(page);
  }
}

static void write_method(html_writer *page, const swap_page *data)
{
  const rb_comparison *comparison = data->comparison;
  html_element(page, "h2", NULL, "How it was measured, and what it cannot say");
  html_open(page, "div", "class", "method", NULL);
  write_order(page, comparison);
  if (data->n_sittings)
    page_bench(page, &data->sittings[data->n_sittings - 1].bench);
  for (size_t i = 0; i < comparison->n_notes; i++)
    html_element(page, "p", NULL, comparison->notes[i]);
  html_element(page, "p", NULL,
               "Everything was measured at the loudspeaker terminals. Numbers say what changed "
               "there, not whether it "
               "is better; they promise nothing about how long a tube will live.");
  write_thresholds(page, comparison);
  html_close(page);
}

static void write_body(html_writer *page, const swap_page *data, const shown *values,
                       const chart_set *charts, const char *title)
{
  html_open(page, "main", NULL);
  html_element(page, "p", "kind", "Swap report");
  html_element(page, "h1", NULL, title);
  write_place(page, data);
  write_sides(page, data->comparison);
  page_invented(page, data->sittings, data->n_sittings);
  write_short(page, values, data->comparison);
  write_heard(page, data);
  html_element(page, "h2", NULL, "Pictures");
  page_charts(page, charts);
  html_element(page, "h2", NULL, "The numbers");
  tables_main(page, values);
  tables_rest(page, values);
  tables_curves(page, values);
  write_method(page, data);
  page_safety(page);
  html_close(page);
}

rb_status page_swap(const swap_page *data, rb_arena *arena, rb_text *out)
{
  shown values;
  RB_TRY(shown_from_swap(data, arena, &values));
  chart_set *charts;
  RB_TRY(charts_of(&values, arena, &charts));
  rb_text title = {0}, body = {0};
  page_swap_title(data->comparison, &title);
  html_writer page = {.out = &body};
  if (!title.failed)
    write_body(&page, data, &values, charts, title.bytes);
  page_finish(title.failed ? "" : title.bytes, &body, out);
  bool failed = title.failed || body.failed || out->failed;
  rb_text_free(&title);
  rb_text_free(&body);
  return failed ? RB_NO_MEM : RB_OK;
}
