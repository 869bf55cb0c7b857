// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include <string.h>

static const struct {
  const char *slug;
  bool (*draw)(chart_maker *m, rb_chart *chart);
} kinds[] = {
#define CHART(name, slug) {slug, chart_##name},
#include "charts.def"
#undef CHART
};
_Static_assert(RB_LEN(kinds) <= MOST_CHARTS, "every kind has a place in the set");

// Fills the next chart of the set where there is something to draw.
static rb_status add_chart(chart_maker *m, size_t kind, chart_set *set)
{
  rb_chart *chart = &set->charts[set->n];
  *chart = (rb_chart){0};
  rb_text_copy(chart->slug, sizeof chart->slug, kinds[kind].slug);
  bool drawn = kinds[kind].draw(m, chart);
  rb_panel *panels = drawn ? maker_take(m, m->n_panels, sizeof *panels) : NULL;
  if (m->failed)
    return RB_NO_MEM;
  if (!drawn)
    return RB_OK;
  memcpy(panels, m->panels, m->n_panels * sizeof *panels);
  chart->panels = panels;
  chart->n_panels = m->n_panels;
  set->n++;
  return RB_OK;
}

rb_status charts_of(const shown *page, rb_arena *arena, chart_set **set)
{
  *set = rb_arena_alloc(arena, 1, sizeof **set);
  if (!*set)
    return RB_NO_MEM;
  for (size_t i = 0; i < RB_LEN(kinds); i++) {
    chart_maker m = {.page = page, .arena = arena, .condition = shown_main_condition(page)};
    RB_TRY(add_chart(&m, i, *set));
  }
  return RB_OK;
}
