// SPDX-License-Identifier: GPL-3.0-or-later
#include "load.h"

#include <string.h>

static rb_status no_memory(rb_err *err)
{
  return rb_fail(err, RB_NO_MEM, "Out of memory while reading the report's data.");
}

// Copies of sittings, each once, in the order the passes of the table name them.
static rb_status load_sittings(rb_book *book, const rb_table *table, rb_arena *arena,
                               const rb_sitting **sittings, size_t *n, rb_err *err)
{
  rb_sitting *found = rb_arena_alloc(arena, table->n_passes + 1, sizeof *found);
  if (!found)
    return no_memory(err);
  *n = 0;
  for (size_t i = 0; i < table->n_passes; i++) {
    bool known = false;
    for (size_t k = 0; k < *n; k++)
      known = known || found[k].id == table->passes[i].sitting_id;
    if (!known) {
      RB_TRY(rb_book_sitting(book, table->passes[i].sitting_id, &found[*n], err));
      (*n)++;
    }
  }
  *sittings = found;
  return RB_OK;
}

static rb_status load_heard(rb_book *book, rb_arena *arena, swap_page *page, rb_err *err)
{
  rb_heard *heard = NULL;
  RB_TRY(rb_heard_of_swap(book, page->comparison, arena, &heard, &page->n_heard, err));
  page->heard = heard;
  return RB_OK;
}

rb_status load_swap(rb_book *book, const rb_report *report, rb_arena *arena, swap_page *page,
                    rb_err *err)
{
  *page = (swap_page){0};
  rb_comparison *comparison = rb_arena_alloc(arena, 1, sizeof *comparison);
  rb_table *table = rb_arena_alloc(arena, 1, sizeof *table);
  if (!comparison || !table)
    return no_memory(err);
  RB_TRY(rb_compare(book, report->name, report->against, arena, comparison, err));
  rb_table_want want = {.lineup_ids = {comparison->lineup_a.id, comparison->lineup_b.id}};
  RB_TRY(rb_book_readings(book, &want, arena, table, err));
  page->comparison = comparison;
  page->table = table;
  RB_TRY(load_sittings(book, table, arena, &page->sittings, &page->n_sittings, err));
  return load_heard(book, arena, page, err);
}

static rb_status load_passes(rb_book *book, const rb_lineup *lineup, rb_arena *arena,
                             lineup_page *page, rb_err *err)
{
  rb_table *table = rb_arena_alloc(arena, 1, sizeof *table);
  if (!table)
    return no_memory(err);
  rb_table_want want = {.lineup_ids = {lineup->id, 0}};
  RB_TRY(rb_book_readings(book, &want, arena, table, err));
  *page = (lineup_page){.lineup = lineup, .table = table};
  return load_sittings(book, table, arena, &page->sittings, &page->n_sittings, err);
}

rb_status load_lineup(rb_book *book, const char *name, bool with_curves, rb_arena *arena,
                      lineup_page *page, rb_err *err)
{
  rb_lineup *lineup = rb_arena_alloc(arena, 1, sizeof *lineup);
  rb_results *results = rb_arena_alloc(arena, 1, sizeof *results);
  if (!lineup || !results)
    return no_memory(err);
  RB_TRY(rb_book_lineup(book, name, lineup, err));
  RB_TRY(load_passes(book, lineup, arena, page, err));
  if (!page->table->n_passes)
    return rb_fail(err, RB_NOT_FOUND,
                   "Line-up '%s' has not been measured yet: rollbook measure '%s'.", name, name);
  if (!with_curves)
    return RB_OK;
  *results = rb_results_in(arena);
  int64_t newest = page->table->passes[page->table->n_passes - 1].pass_id;
  RB_TRY(rb_book_results(book, newest, true, results, err));
  page->results = results;
  return RB_OK;
}

static const char *socket_of(const rb_lineup *lineup, int64_t tube_id)
{
  for (size_t i = 0; i < lineup->n_fittings; i++)
    if (lineup->fittings[i].tube.id == tube_id)
      return lineup->fittings[i].socket;
  return NULL;
}

rb_status load_tube(rb_book *book, const char *label, rb_arena *arena, tube_page *page, rb_err *err)
{
  rb_tube *tube = rb_arena_alloc(arena, 1, sizeof *tube);
  rb_lineup *lineups = NULL;
  size_t n = 0;
  if (!tube)
    return no_memory(err);
  RB_TRY(rb_book_tube(book, label, tube, err));
  RB_TRY(rb_book_lineups(book, arena, &lineups, &n, err));
  tube_stay *stays = rb_arena_alloc(arena, n + 1, sizeof *stays);
  if (!stays)
    return no_memory(err);
  *page = (tube_page){.tube = tube, .stays = stays};
  for (size_t i = 0; i < n; i++) {
    tube_stay stay = {.socket = socket_of(&lineups[i], tube->id)};
    if (!stay.socket)
      continue;
    RB_TRY(load_passes(book, &lineups[i], arena, &stay.page, err));
    if (stay.page.table->n_passes)
      stays[page->n_stays++] = stay;
  }
  if (!page->n_stays)
    return rb_fail(err, RB_NOT_FOUND,
                   "Tube '%s' sat in no line-up that was measured: put it into one (rollbook "
                   "lineup) and measure that.",
                   label);
  return RB_OK;
}
