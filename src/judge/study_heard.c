// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/judge/study.h"

#include "grid.h"
#include "study_scale.h"

#include "rollbook/stats/bootstrap.h"
#include "rollbook/stats/holm.h"
#include "rollbook/stats/rank.h"

#include <math.h>
#include <string.h>

enum { PERMUTATIONS = 4000, BOOTSTRAP_DRAWS = 1000 };

typedef struct heard_work {
  const rb_study_data *data;
  bool with_after;
  rb_arena *arena;
  rb_random random;
  readings_grid grid;
  double *scores; // of the attribute in hand, one a line-up
  bool *heard;    // which of them are on its scale
  rb_study *study;
} heard_work;

// ---- readings -----------------------------------------------------------------------------------

static bool is_linked(const rb_link *link, const rb_quantity *quantity)
{
  return strcmp(link->key, quantity->key) == 0 &&
         strncmp(link->condition, quantity->condition, strlen(link->condition)) == 0;
}

static bool same_but_channel(const rb_quantity *a, const rb_quantity *b)
{
  return strcmp(a->key, b->key) == 0 && strcmp(a->condition, b->condition) == 0 &&
         strcmp(a->unit, b->unit) == 0;
}

// Mean over the line-up's sittings. False where it was not measured.
static bool lineup_mean(const readings_grid *grid, size_t quantity, int64_t lineup_id, double *mean,
                        size_t *n_sittings)
{
  double sum = 0;
  *n_sittings = 0;
  for (size_t s = 0; s < grid->sittings.n; s++) {
    const grid_cell *cell = grid_at(grid, quantity, s);
    if (grid->lineup_ids[s] != lineup_id || cell->n == 0)
      continue;
    sum += cell->mean;
    ++*n_sittings;
  }
  if (!*n_sittings)
    return false;
  *mean = grid_in_unit(grid, quantity, sum / (double)*n_sittings);
  return true;
}

// Mean over the channels of a quantity, which all must have been measured.
static bool reading_of(const readings_grid *grid, size_t quantity, int64_t lineup_id,
                       rb_study_point *point)
{
  double sum = 0, n = 0;
  for (size_t q = 0; q < grid->table->n_quantities; q++) {
    double mean = 0;
    if (!same_but_channel(&grid->table->quantities[q], &grid->table->quantities[quantity]))
      continue;
    if (!lineup_mean(grid, q, lineup_id, &mean, &point->n_sittings))
      return false;
    sum += mean;
    n += 1;
  }
  point->reading = sum / n;
  return true;
}

static bool is_first_channel(const rb_table *table, size_t quantity)
{
  for (size_t q = 0; q < quantity; q++)
    if (same_but_channel(&table->quantities[q], &table->quantities[quantity]))
      return false;
  return true;
}

// ---- one pair -----------------------------------------------------------------------------------

static double towards(const rb_link *link, double reading)
{
  return link->direction == RB_LINK_NEARER ? fabs(reading) : reading;
}

// What the bootstrap draws from, with room for one draw.
typedef struct drawn {
  const double *x, *y;
  double *drawn_x, *drawn_y, *ranks_x, *ranks_y;
  rb_arena *arena;
} drawn;

static double rho_of_draw(void *payload, const size_t *positions, size_t n)
{
  drawn *draw = payload;
  for (size_t i = 0; i < n; i++) {
    draw->drawn_x[i] = draw->x[positions[i]];
    draw->drawn_y[i] = draw->y[positions[i]];
  }
  if (rb_ranks(draw->drawn_x, n, draw->arena, draw->ranks_x) != RB_OK ||
      rb_ranks(draw->drawn_y, n, draw->arena, draw->ranks_y) != RB_OK)
    return NAN;
  double middle = 0.5 * (double)(n + 1), xx = 0, yy = 0, xy = 0;
  for (size_t i = 0; i < n; i++) {
    double dx = draw->ranks_x[i] - middle, dy = draw->ranks_y[i] - middle;
    xx += dx * dx;
    yy += dy * dy;
    xy += dx * dy;
  }
  return xx > 0 && yy > 0 ? xy / sqrt(xx * yy) : (double)NAN;
}

static rb_status add_interval(heard_work *work, const double *x, const double *y,
                              rb_study_pair *pair)
{
  size_t n = pair->n_points;
  drawn draw = {.x = x, .y = y, .arena = work->arena};
  double **rooms[] = {&draw.drawn_x, &draw.drawn_y, &draw.ranks_x, &draw.ranks_y};
  for (size_t i = 0; i < RB_LEN(rooms); i++)
    if (!(*rooms[i] = rb_arena_doubles(work->arena, n)))
      return RB_NO_MEM;
  rb_bootstrap bootstrap = {
      .statistic = rho_of_draw, .payload = &draw, .n = n, .n_draws = BOOTSTRAP_DRAWS};
  rb_status status = rb_bootstrap_interval(&bootstrap, &work->random, work->arena, pair->interval);
  if (status != RB_OK)
    pair->interval[0] = pair->interval[1] = NAN;
  return status == RB_NO_MEM ? status : RB_OK;
}

static bool has_spread(const double *values, size_t n)
{
  for (size_t i = 1; i < n; i++)
    if (values[i] != values[0])
      return true;
  return false;
}

static rb_status correlate(heard_work *work, rb_study_pair *pair)
{
  size_t n = pair->n_points;
  rb_arena_mark mark = rb_arena_save(work->arena);
  double *x = rb_arena_doubles(work->arena, n), *y = rb_arena_doubles(work->arena, n);
  if (!x || !y)
    return RB_NO_MEM;
  pair->interval[0] = pair->interval[1] = NAN;
  pair->p = pair->p_holm = 1;
  for (size_t i = 0; i < n; i++) {
    x[i] = towards(pair->link, pair->points[i].reading);
    y[i] = pair->points[i].score;
  }
  rb_spearman found = {.rho = 0};
  if (n >= 3)
    RB_TRY(rb_spearman_test(x, y, n, &work->random, PERMUTATIONS, work->arena, &found));
  pair->rho = found.rho;
  pair->as_expected = pair->link->direction == RB_LINK_MORE ? found.rho > 0 : found.rho < 0;
  pair->tested = n >= RB_STUDY_LEAST_LINEUPS && has_spread(x, n) && has_spread(y, n);
  if (pair->tested) {
    pair->p = found.p_two_sided;
    pair->exact = found.exact;
    RB_TRY(add_interval(work, x, y, pair));
  }
  rb_arena_rewind(work->arena, mark);
  return RB_OK;
}

static rb_status add_pair(heard_work *work, const rb_attribute *attribute, const rb_link *link,
                          size_t quantity)
{
  const rb_study_data *data = work->data;
  rb_study_pair *pair = &work->study->pairs[work->study->n_pairs];
  *pair = (rb_study_pair){
      .attribute = attribute, .link = link, .quantity = data->table.quantities[quantity]};
  pair->quantity.channel = RB_BOTH;
  pair->points = rb_arena_alloc(work->arena, data->n_lineups, sizeof *pair->points);
  if (!pair->points)
    return RB_NO_MEM;
  for (size_t i = 0; i < data->n_lineups; i++) {
    rb_study_point *point = &pair->points[pair->n_points];
    *point = (rb_study_point){.lineup = &data->lineups[i], .score = work->scores[i]};
    pair->n_points +=
        work->heard[i] && reading_of(&work->grid, quantity, data->lineups[i].id, point);
  }
  if (pair->n_points < 2)
    return RB_OK;
  work->study->n_pairs++;
  return correlate(work, pair);
}

// ---- all of them --------------------------------------------------------------------------------

static rb_status add_attribute(heard_work *work, const rb_attribute *attribute)
{
  size_t n_links = 0;
  const rb_link *links = rb_links(&n_links);
  const rb_table *table = &work->data->table;
  study_scale scale = {.scores = work->scores, .heard = work->heard};
  RB_TRY(study_put_on_scale(work->data, attribute->key, work->with_after, work->arena, &scale));
  work->study->n_after += scale.n_after;
  work->study->n_unlinked += scale.n_unlinked;
  for (size_t k = 0; k < n_links; k++)
    for (size_t q = 0; q < table->n_quantities && strcmp(links[k].attribute, attribute->key) == 0;
         q++)
      if (is_linked(&links[k], &table->quantities[q]) && is_first_channel(table, q))
        RB_TRY(add_pair(work, attribute, &links[k], q));
  return RB_OK;
}

static rb_status adjust(rb_study *study, rb_arena *arena)
{
  double *p = rb_arena_doubles(arena, study->n_pairs);
  double *adjusted = rb_arena_doubles(arena, study->n_pairs);
  if (!p || !adjusted)
    return RB_NO_MEM;
  for (size_t i = 0; i < study->n_pairs; i++)
    if (study->pairs[i].tested)
      p[study->n_tested++] = study->pairs[i].p;
  RB_TRY(rb_holm(p, NULL, study->n_tested, arena, adjusted));
  for (size_t i = 0, k = 0; i < study->n_pairs; i++)
    if (study->pairs[i].tested)
      study->pairs[i].p_holm = adjusted[k++];
  return RB_OK;
}

static rb_status study_heard(heard_work *work)
{
  size_t n_attributes = 0, n_links = 0, n = work->data->n_lineups;
  const rb_attribute *attributes = rb_attributes(&n_attributes);
  rb_links(&n_links);
  work->scores = rb_arena_doubles(work->arena, n);
  work->heard = rb_arena_alloc(work->arena, n, sizeof *work->heard);
  work->study->pairs = rb_arena_alloc(work->arena, n_links * work->data->table.n_quantities + 1,
                                      sizeof *work->study->pairs);
  if (!work->scores || !work->heard || !work->study->pairs)
    return RB_NO_MEM;
  RB_TRY(grid_make(&work->data->table, work->arena, &work->grid));
  for (size_t i = 0; i < n_attributes; i++)
    RB_TRY(add_attribute(work, &attributes[i]));
  return adjust(work->study, work->arena);
}

rb_status rb_study_heard(const rb_study_data *data, bool with_after, uint64_t seed, rb_arena *arena,
                         rb_study *study, rb_err *err)
{
  *study = (rb_study){.n_pairs = 0};
  heard_work work = {.data = data,
                     .with_after = with_after,
                     .arena = arena,
                     .random = rb_random_seeded(seed),
                     .study = study};
  rb_status status = study_heard(&work);
  if (status == RB_NO_MEM)
    return rb_fail(err, status, "Memory ran out while studying impressions.");
  return status == RB_OK ? RB_OK : rb_fail(err, status, "The impressions could not be studied.");
}
