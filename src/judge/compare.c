// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/compare.h"

#include "rollbook/judge/listener.h"

#include "curve_effects.h"
#include "effects.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

// Enough to know a spread well, few enough to be read at once.
static const size_t most_other_passes = 400;

const char *rb_effect_word_name(rb_effect_word word)
{
  return word == RB_CHANGED ? "changed" : "not resolved";
}

const char *rb_basis_text(rb_basis basis)
{
  static const char *const texts[] = {
      [RB_BASIS_NONE] = "bounds only",
      [RB_BASIS_CAPTURE] = "one pass each; only the captures' own noise",
      [RB_BASIS_WITHIN] = "repeats within one sitting; includes no reseating",
      [RB_BASIS_SITTINGS] = "repeats within and between sittings",
  };
  return (size_t)basis < RB_LEN(texts) ? texts[basis] : texts[RB_BASIS_NONE];
}

// ---- what was swapped ---------------------------------------------------------------------------

static bool same_fitting(const rb_fitting *a, const rb_fitting *b)
{
  if (!a || !b)
    return a == b;
  return a->tube.id == b->tube.id && fabs(a->bias_ma - b->bias_ma) < 1e-9;
}

static rb_status find_changes(rb_comparison *comparison, rb_arena *arena)
{
  const rb_amplifier *amplifier = &comparison->lineup_a.amplifier;
  comparison->sockets_changed =
      rb_arena_alloc(arena, amplifier->n_sockets, sizeof *comparison->sockets_changed);
  if (!comparison->sockets_changed)
    return RB_NO_MEM;
  for (size_t i = 0; i < amplifier->n_sockets; i++) {
    const rb_fitting *a = rb_lineup_fitting(&comparison->lineup_a, amplifier->sockets[i].name);
    const rb_fitting *b = rb_lineup_fitting(&comparison->lineup_b, amplifier->sockets[i].name);
    if (same_fitting(a, b))
      continue;
    rb_socket_change *change = &comparison->sockets_changed[comparison->n_sockets_changed++];
    change->socket = &amplifier->sockets[i];
    if (a)
      memcpy(change->tube_a, a->tube.label, sizeof change->tube_a);
    if (b)
      memcpy(change->tube_b, b->tube.label, sizeof change->tube_b);
    change->bias_a_ma = a ? a->bias_ma : 0;
    change->bias_b_ma = b ? b->bias_ma : 0;
  }
  return RB_OK;
}

// "V2: 'inverter 2' alone" for each socket: line-ups that would tell the causes apart.
static void list_single_swaps(const rb_comparison *comparison, char *list, size_t size)
{
  size_t length = 0;
  for (size_t i = 0; i < comparison->n_sockets_changed && length < size; i++) {
    const rb_socket_change *change = &comparison->sockets_changed[i];
    int added = snprintf(list + length, size - length, "%s'%s' in %s", i ? ", or " : "",
                         change->tube_b[0] ? change->tube_b : "nothing", change->socket->name);
    length += added > 0 ? (size_t)added : 0;
  }
}

static rb_status note_changes(rb_comparison *comparison, rb_arena *arena)
{
  char list[512] = "";
  if (comparison->n_sockets_changed == 0)
    return swap_note(
        comparison, arena,
        "Both line-ups hold the same tubes in the same sockets: any difference is that "
        "of putting them in again.");
  if (comparison->n_sockets_changed == 1)
    return RB_OK;
  list_single_swaps(comparison, list, sizeof list);
  return swap_note(comparison, arena,
                   "%zu sockets differ, so the cause of a change cannot be told apart. What would "
                   "tell: '%s' with one tube exchanged, %s.",
                   comparison->n_sockets_changed, comparison->lineup_a.name, list);
}

// ---- the bench in between -----------------------------------------------------------------------

static bool same_bench(const rb_bench *a, const rb_bench *b)
{
  return a->load_ohm == b->load_ohm && a->attenuator_ratio == b->attenuator_ratio &&
         a->rate_hz == b->rate_hz && strcmp(a->rig, b->rig) == 0 &&
         a->load_vrms_per_fs[0] == b->load_vrms_per_fs[0] &&
         a->load_vrms_per_fs[1] == b->load_vrms_per_fs[1];
}

static rb_status note_bench(rb_book *book, rb_comparison *comparison, rb_arena *arena, rb_err *err)
{
  rb_sitting first, other;
  if (comparison->n_order == 0)
    return RB_OK;
  RB_TRY(rb_book_sitting(book, comparison->order[0].sitting_id, &first, err));
  for (size_t i = 1; i < comparison->n_order; i++) {
    RB_TRY(rb_book_sitting(book, comparison->order[i].sitting_id, &other, err));
    if (!same_bench(&first.bench, &other.bench))
      return swap_note(comparison, arena,
                       "The bench (rig, load, attenuator or calibration) was not the same in all "
                       "sittings; a difference may be the bench's.");
  }
  return RB_OK;
}

// Where the listener sits is a matter of today's room, not of the sittings.
static rb_status judge_at_listener(rb_book *book, rb_comparison *comparison, rb_arena *arena,
                                   rb_err *err)
{
  rb_bench bench;
  RB_TRY(rb_book_bench(book, &bench, err));
  return rb_listener_effects(&bench, comparison, arena);
}

// ---- whole --------------------------------------------------------------------------------------

static rb_status find_lineups(rb_book *book, const char *lineup_a, const char *lineup_b,
                              rb_comparison *comparison, rb_err *err)
{
  RB_TRY(rb_book_lineup(book, lineup_a, &comparison->lineup_a, err));
  RB_TRY(rb_book_lineup(book, lineup_b, &comparison->lineup_b, err));
  if (comparison->lineup_a.id == comparison->lineup_b.id)
    return rb_fail(err, RB_BAD_ARG, "'%s' cannot be compared with itself: name two line-ups.",
                   lineup_a);
  if (comparison->lineup_a.amplifier.id != comparison->lineup_b.amplifier.id)
    return rb_fail(err, RB_BAD_ARG,
                   "'%s' and '%s' are line-ups of different amplifiers ('%s' and '%s'); only tubes "
                   "in the same amplifier can be compared.",
                   lineup_a, lineup_b, comparison->lineup_a.amplifier.name,
                   comparison->lineup_b.amplifier.name);
  return RB_OK;
}

static rb_status need_passes(const rb_table *table, const rb_lineup *lineup, rb_err *err)
{
  for (size_t i = 0; i < table->n_passes; i++)
    if (table->passes[i].lineup_id == lineup->id)
      return RB_OK;
  return rb_fail(err, RB_NOT_FOUND,
                 "Line-up '%s' has not been measured yet. `rollbook measure \"%s\"` does.",
                 lineup->name, lineup->name);
}

static rb_status out_of_memory(rb_status status, rb_err *err)
{
  return status == RB_NO_MEM ? rb_fail(err, status, "Memory ran out while comparing line-ups.")
                             : status;
}

rb_status rb_compare(rb_book *book, const char *lineup_a, const char *lineup_b, rb_arena *arena,
                     rb_comparison *comparison, rb_err *err)
{
  rb_table table;
  *comparison = (rb_comparison){0};
  RB_TRY(find_lineups(book, lineup_a, lineup_b, comparison, err));
  rb_table_want want = {.amplifier_id = comparison->lineup_a.amplifier.id,
                        .lineup_ids = {comparison->lineup_a.id, comparison->lineup_b.id},
                        .n_other_passes = most_other_passes};
  RB_TRY(rb_book_readings(book, &want, arena, &table, err));
  RB_TRY(need_passes(&table, &comparison->lineup_a, err));
  RB_TRY(need_passes(&table, &comparison->lineup_b, err));
  RB_TRY(out_of_memory(find_changes(comparison, arena), err));
  RB_TRY(out_of_memory(note_changes(comparison, arena), err));
  RB_TRY(rb_compare_table(&table, arena, comparison, err));
  RB_TRY(note_bench(book, comparison, arena, err));
  RB_TRY(judge_at_listener(book, comparison, arena, err));
  return compare_curves(book, &table, arena, comparison, err);
}
