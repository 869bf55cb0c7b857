// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/study.h"

#include "grid.h"
#include "study_scale.h"

#include "rollbook/base/text.h"

#include <math.h>
#include <string.h>

enum { MOST_CANDIDATES = 4096, MOST_NEXT = 3 };

// What is explained: one row a sitting, or a line-up for an attribute.
typedef struct rows {
  const rb_lineup **lineups;
  double *means;
  int *n_passes;
  size_t n;
  rb_spread within;
} rows;

// The places as factors and the tubes seen in them as levels.
typedef struct factors {
  rb_study_place places[RB_MAX_SOCKETS];
  int64_t *tube_ids[RB_MAX_SOCKETS]; // by level; 0: empty
  int64_t *pair_ids[RB_MAX_SOCKETS]; // of the pull side; NULL where there is none
  int n_levels[RB_MAX_SOCKETS];
  size_t n;
  int *levels; // rows × n
} factors;

typedef struct sockets_work {
  const rb_study_data *data;
  rb_arena *arena;
  readings_grid grid;
} sockets_work;

static int64_t tube_in(const rb_lineup *lineup, const rb_socket *socket)
{
  const rb_fitting *fitting = rb_lineup_fitting(lineup, socket->name);
  return fitting ? fitting->tube.id : 0;
}

// ---- rows ---------------------------------------------------------------------------------------

static rb_status make_room(sockets_work *work, size_t most, rows *r)
{
  *r = (rows){.lineups = rb_arena_alloc(work->arena, most, sizeof *r->lineups),
              .means = rb_arena_doubles(work->arena, most),
              .n_passes = rb_arena_alloc(work->arena, most, sizeof *r->n_passes)};
  return r->lineups && r->means && r->n_passes ? RB_OK : RB_NO_MEM;
}

static rb_status rows_of_quantity(sockets_work *work, size_t quantity, rows *r)
{
  const readings_grid *grid = &work->grid;
  rb_spread between;
  RB_TRY(make_room(work, grid->sittings.n, r));
  for (size_t s = 0; s < grid->sittings.n; s++) {
    const grid_cell *cell = grid_at(grid, quantity, s);
    size_t place = study_place_of(work->data, grid->lineup_ids[s]);
    if (cell->n == 0 || place == work->data->n_lineups)
      continue;
    r->lineups[r->n] = &work->data->lineups[place];
    r->means[r->n] = cell->mean;
    r->n_passes[r->n++] = (int)cell->n;
  }
  return grid_spreads(grid, quantity, work->arena, &r->within, &between);
}

static int times_heard(const rb_study_data *data, const char *attribute, int64_t lineup_id)
{
  int n = 0;
  for (size_t i = 0; i < data->n_impressions; i++) {
    const rb_impression *impression = &data->impressions[i];
    n += strcmp(impression->attribute, attribute) == 0 && !impression->after_numbers &&
         (impression->lineup_id == lineup_id || impression->against_id == lineup_id);
  }
  return n;
}

static rb_status rows_of_attribute(sockets_work *work, const char *attribute, rows *r)
{
  const rb_study_data *data = work->data;
  study_scale scale = {.scores = rb_arena_doubles(work->arena, data->n_lineups),
                       .heard = rb_arena_alloc(work->arena, data->n_lineups, sizeof(bool))};
  if (!scale.scores || !scale.heard)
    return RB_NO_MEM;
  RB_TRY(make_room(work, data->n_lineups, r));
  RB_TRY(study_put_on_scale(data, attribute, false, work->arena, &scale));
  for (size_t i = 0; i < data->n_lineups; i++) {
    if (!scale.heard[i])
      continue;
    r->lineups[r->n] = &data->lineups[i];
    r->means[r->n] = scale.scores[i];
    r->n_passes[r->n++] = times_heard(data, attribute, data->lineups[i].id);
  }
  return RB_OK;
}

// ---- factors ------------------------------------------------------------------------------------

static int level_of(const int64_t *tube_ids, int n, int64_t tube_id)
{
  int level = 0;
  while (level < n && tube_ids[level] != tube_id)
    level++;
  return level;
}

static bool may_matter(const rb_socket *socket, rb_channel channel)
{
  return socket->channel == channel || socket->channel == RB_BOTH || channel == RB_BOTH;
}

// The tubes a socket held, in the order of rows. RB_NO_MEM.
static rb_status tubes_held(sockets_work *work, const rows *r, const rb_socket *socket,
                            int64_t **ids, int *n)
{
  *n = 0;
  *ids = rb_arena_alloc(work->arena, r->n, sizeof **ids);
  if (!*ids)
    return RB_NO_MEM;
  for (size_t i = 0; i < r->n; i++) {
    int64_t tube = tube_in(r->lineups[i], socket);
    if (level_of(*ids, *n, tube) == *n)
      (*ids)[(*n)++] = tube;
  }
  return RB_OK;
}

// True where the pull side's tube follows from the push side's and the other way round.
static bool change_together(const rows *r, const rb_socket *push, const int64_t *push_ids,
                            const rb_socket *pull, const int64_t *pull_ids, int n)
{
  for (size_t i = 0; i < r->n; i++)
    if (level_of(push_ids, n, tube_in(r->lineups[i], push)) !=
        level_of(pull_ids, n, tube_in(r->lineups[i], pull)))
      return false;
  return true;
}

// Joins a pull side to the push side of its channel where both only ever changed together.
static bool joins_pair(const rows *r, const rb_socket *pull, int64_t *pull_ids, int n, factors *f)
{
  for (size_t k = 0; k < f->n && pull->role == RB_OUTPUT_PULL; k++) {
    const rb_socket *push = f->places[k].socket;
    if (push->role != RB_OUTPUT_PUSH || push->channel != pull->channel || f->n_levels[k] != n ||
        f->places[k].pair || !change_together(r, push, f->tube_ids[k], pull, pull_ids, n))
      continue;
    f->places[k].pair = pull;
    f->pair_ids[k] = pull_ids;
    return true;
  }
  return false;
}

static rb_status name_places(sockets_work *work, factors *f)
{
  for (size_t k = 0; k < f->n; k++) {
    rb_study_place *place = &f->places[k];
    place->name = place->pair ? rb_arena_printf(work->arena, "%s + %s", place->socket->name,
                                                place->pair->name)
                              : place->socket->name;
    if (!place->name)
      return RB_NO_MEM;
  }
  return RB_OK;
}

// Sockets that held more than one tube, in the amplifier's order.
static rb_status find_factors(sockets_work *work, const rows *r, rb_channel channel, factors *f)
{
  const rb_amplifier *amplifier = &work->data->amplifier;
  for (size_t s = 0; s < amplifier->n_sockets; s++) {
    const rb_socket *socket = &amplifier->sockets[s];
    int64_t *ids = NULL;
    int n = 0;
    RB_TRY(tubes_held(work, r, socket, &ids, &n));
    if (n < 2 || !may_matter(socket, channel) || joins_pair(r, socket, ids, n, f))
      continue;
    f->places[f->n] = (rb_study_place){.socket = socket};
    f->tube_ids[f->n] = ids;
    f->n_levels[f->n++] = n;
  }
  f->levels = rb_arena_alloc(work->arena, r->n * f->n, sizeof *f->levels);
  if (!f->levels)
    return RB_NO_MEM;
  for (size_t i = 0; i < r->n; i++)
    for (size_t k = 0; k < f->n; k++)
      f->levels[i * f->n + k] =
          level_of(f->tube_ids[k], f->n_levels[k], tube_in(r->lineups[i], f->places[k].socket));
  return name_places(work, f);
}

// ---- what to measure next -----------------------------------------------------------------------

static bool holds_a_tube_twice(const factors *f, const int *levels)
{
  int64_t tubes[2 * RB_MAX_SOCKETS];
  size_t n = 0;
  for (size_t k = 0; k < f->n; k++) {
    tubes[n++] = f->tube_ids[k][levels[k]];
    if (f->pair_ids[k])
      tubes[n++] = f->pair_ids[k][levels[k]];
  }
  for (size_t a = 0; a < n; a++)
    for (size_t b = 0; b < a; b++)
      if (tubes[a] && tubes[a] == tubes[b])
        return true;
  return false;
}

static bool was_measured(const factors *f, size_t n_rows, const int *levels)
{
  for (size_t i = 0; i < n_rows; i++)
    if (memcmp(&f->levels[i * f->n], levels, f->n * sizeof *levels) == 0)
      return true;
  return false;
}

static size_t add_candidate(const factors *f, size_t n_rows, const int *levels, int *candidates,
                            size_t n)
{
  if (n == MOST_CANDIDATES || holds_a_tube_twice(f, levels) || was_measured(f, n_rows, levels))
    return n;
  memcpy(&candidates[n * f->n], levels, f->n * sizeof *levels);
  return n + 1;
}

static size_t every_combination(const factors *f, size_t n_rows, int *candidates)
{
  int levels[RB_MAX_SOCKETS] = {0};
  size_t n = 0;
  for (;;) {
    n = add_candidate(f, n_rows, levels, candidates, n);
    size_t k = 0;
    while (k < f->n && ++levels[k] == f->n_levels[k])
      levels[k++] = 0;
    if (k == f->n)
      return n;
  }
}

// Where there are too many combinations: one tube exchanged in a line-up that was measured.
static size_t every_single_swap(const factors *f, size_t n_rows, int *candidates)
{
  int levels[RB_MAX_SOCKETS];
  size_t n = 0;
  for (size_t i = 0; i < n_rows; i++)
    for (size_t k = 0; k < f->n; k++)
      for (int level = 0; level < f->n_levels[k]; level++) {
        memcpy(levels, &f->levels[i * f->n], f->n * sizeof *levels);
        levels[k] = level;
        n = add_candidate(f, n_rows, levels, candidates, n);
      }
  return n;
}

static size_t find_candidates(const factors *f, size_t n_rows, int *candidates)
{
  double combinations = 1;
  for (size_t k = 0; k < f->n; k++)
    combinations *= f->n_levels[k];
  return combinations <= MOST_CANDIDATES ? every_combination(f, n_rows, candidates)
                                         : every_single_swap(f, n_rows, candidates);
}

static const rb_fitting *fitting_with(const rb_study_data *data, const rb_socket *socket,
                                      int64_t tube_id)
{
  for (size_t i = 0; i < data->n_lineups; i++) {
    const rb_fitting *fitting = rb_lineup_fitting(&data->lineups[i], socket->name);
    if (fitting && fitting->tube.id == tube_id)
      return fitting;
  }
  return NULL;
}

static void fit_tube(const rb_study_data *data, const rb_socket *socket, int64_t tube_id,
                     rb_lineup *lineup)
{
  const rb_fitting *fitting = fitting_with(data, socket, tube_id);
  if (fitting)
    lineup->fittings[lineup->n_fittings++] = *fitting;
}

static rb_status propose(sockets_work *work, const rb_factor_data *model, const rows *r,
                         const factors *f, rb_study_sockets *found)
{
  size_t chosen[MOST_NEXT];
  int *candidates = rb_arena_alloc(work->arena, MOST_CANDIDATES * f->n, sizeof *candidates);
  found->next = rb_arena_alloc(work->arena, MOST_NEXT, sizeof *found->next);
  if (!candidates || !found->next)
    return RB_NO_MEM;
  size_t n = find_candidates(f, r->n, candidates);
  if (n)
    found->n_next = rb_factor_next(model, candidates, n, MOST_NEXT, work->arena, chosen);
  for (size_t i = 0; i < found->n_next; i++) {
    rb_lineup *next = &found->next[i];
    next->amplifier = work->data->amplifier;
    for (size_t k = 0; k < f->n; k++) {
      int level = candidates[chosen[i] * f->n + k];
      fit_tube(work->data, f->places[k].socket, f->tube_ids[k][level], next);
      if (f->places[k].pair)
        fit_tube(work->data, f->places[k].pair, f->pair_ids[k][level], next);
    }
  }
  return RB_OK;
}

// ---- fit ----------------------------------------------------------------------------------------

static size_t count_lineups(const rb_study_data *data, const rows *r, const factors *f, size_t k,
                            int level)
{
  size_t n = 0;
  for (size_t i = 0; i < data->n_lineups; i++) {
    bool used = false;
    for (size_t row = 0; row < r->n; row++)
      used = used || (r->lineups[row] == &data->lineups[i] && f->levels[row * f->n + k] == level);
    n += used;
  }
  return n;
}

// Logarithms become percent.
static rb_level_effect in_percent(rb_level_effect effect)
{
  double ratio = exp(effect.effect);
  effect.standard_error = 100 * ratio * effect.standard_error;
  effect.effect = 100 * expm1(effect.effect);
  effect.interval[0] = 100 * expm1(effect.interval[0]);
  effect.interval[1] = 100 * expm1(effect.interval[1]);
  return effect;
}

static const char *label_of(const rb_study_data *data, const rb_socket *socket, int64_t tube_id)
{
  const rb_fitting *fitting = fitting_with(data, socket, tube_id);
  return fitting ? fitting->tube.label : "";
}

static const char *tube_words(sockets_work *work, const factors *f, size_t factor, int level)
{
  const rb_study_place *place = &f->places[factor];
  const char *label = label_of(work->data, place->socket, f->tube_ids[factor][level]);
  if (!place->pair)
    return label;
  return rb_arena_printf(work->arena, "%s + %s", label,
                         label_of(work->data, place->pair, f->pair_ids[factor][level]));
}

static rb_status list_tubes(sockets_work *work, const rows *r, const factors *f, bool ratio,
                            rb_study_sockets *found)
{
  found->places = rb_arena_alloc(work->arena, f->n, sizeof *found->places);
  found->shares = found->fit.share;
  found->n_places = f->n;
  found->tubes = rb_arena_alloc(work->arena, found->fit.n_effects, sizeof *found->tubes);
  if (!found->places || !found->tubes)
    return RB_NO_MEM;
  memcpy(found->places, f->places, f->n * sizeof *found->places);
  for (size_t i = 0; i < found->fit.n_effects; i++) {
    const rb_level_effect *effect = &found->fit.effects[i];
    rb_study_tube *tube = &found->tubes[found->n_tubes++];
    *tube =
        (rb_study_tube){.place = &found->places[effect->factor],
                        .tube = tube_words(work, f, effect->factor, effect->level),
                        .n_lineups = count_lineups(work->data, r, f, effect->factor, effect->level),
                        .fit = ratio ? in_percent(*effect) : *effect};
    if (!tube->tube)
      return RB_NO_MEM;
  }
  return RB_OK;
}

static rb_status fit_rows(sockets_work *work, const rows *r, bool ratio, rb_study_sockets *found)
{
  factors f = {.n = 0};
  found->n_rows = r->n;
  RB_TRY(find_factors(work, r, found->quantity.channel, &f));
  if (!f.n)
    return RB_OK;
  rb_factor_data model = {.n_sittings = r->n,
                          .n_factors = f.n,
                          .n_levels = f.n_levels,
                          .levels = f.levels,
                          .sitting_mean = r->means,
                          .n_passes = r->n_passes,
                          .within_variance = r->within.variance,
                          .within_df = r->within.df};
  RB_TRY(rb_factor_fit_sittings(&model, work->arena, &found->fit));
  RB_TRY(list_tubes(work, r, &f, ratio, found));
  return propose(work, &model, r, &f, found);
}

static rb_status study_attribute(sockets_work *work, const rb_attribute *attribute,
                                 rb_study_sockets *found)
{
  rows r;
  *found = (rb_study_sockets){.attribute = attribute, .quantity.channel = RB_BOTH};
  rb_text_copy(found->quantity.key, sizeof found->quantity.key, attribute->key);
  RB_TRY(rows_of_attribute(work, attribute->key, &r));
  return fit_rows(work, &r, false, found);
}

static rb_status study_quantity(sockets_work *work, size_t quantity, rb_study_sockets *found)
{
  rows r;
  bool ratio = work->grid.scales[quantity] == SCALE_RATIO;
  *found = (rb_study_sockets){.quantity = work->data->table.quantities[quantity]};
  rb_text_copy(found->unit_of_effect, sizeof found->unit_of_effect,
               ratio ? "%" : found->quantity.unit);
  RB_TRY(rows_of_quantity(work, quantity, &r));
  return fit_rows(work, &r, ratio, found);
}

static rb_status study_all(sockets_work *work, const char *key, const char *condition,
                           rb_study_sockets **fits, size_t *n)
{
  const rb_table *table = &work->data->table;
  static const char heard[] = "heard:";
  bool only_heard = strncmp(key, heard, strlen(heard)) == 0;
  key += only_heard ? strlen(heard) : 0;
  const rb_attribute *attribute = rb_attribute_find(key);
  *fits = rb_arena_alloc(work->arena, table->n_quantities + 1, sizeof **fits);
  if (!*fits)
    return RB_NO_MEM;
  RB_TRY(grid_make(table, work->arena, &work->grid));
  const char *where = condition ? condition : grid_main_condition(&work->grid, key);
  for (size_t q = 0; q < table->n_quantities && where && !only_heard; q++)
    if (strcmp(table->quantities[q].key, key) == 0 &&
        strcmp(table->quantities[q].condition, where) == 0)
      RB_TRY(study_quantity(work, q, &(*fits)[(*n)++]));
  if (attribute && !*n)
    RB_TRY(study_attribute(work, attribute, &(*fits)[(*n)++]));
  return RB_OK;
}

rb_status rb_study_which_socket(const rb_study_data *data, const char *key, const char *condition,
                                rb_arena *arena, rb_study_sockets **fits, size_t *n, rb_err *err)
{
  sockets_work work = {.data = data, .arena = arena};
  *n = 0;
  rb_status status = study_all(&work, key, condition, fits, n);
  if (status == RB_NO_MEM)
    return rb_fail(err, status, "Memory ran out while fitting the sockets.");
  if (status != RB_OK)
    return rb_fail(err, status, "The sockets' model of '%s' could not be fitted.", key);
  if (!*n || !(*fits)[0].n_rows)
    return rb_fail(err, RB_NOT_FOUND, "'%s'%s%s was neither measured nor heard on '%s' yet.", key,
                   condition ? " at " : "", condition ? condition : "", data->amplifier.name);
  for (size_t i = 0; i < *n; i++)
    if ((*fits)[i].n_places)
      return RB_OK;
  return rb_fail(err, RB_BAD_ARG,
                 "No socket of '%s' that could matter has held two tubes yet: measure line-ups "
                 "that differ.",
                 data->amplifier.name);
}
