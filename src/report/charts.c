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

rb_status charts_of(const shown *page, rb_arena *arena, chart_set *set)
{
  set->n = 0;
  for (size_t i = 0; i < RB_LEN(kinds); i++) {
    chart_maker m = {.page = page, .arena = arena, .condition = shown_main_condition(page)};
    rb_chart *chart = &set->charts[set->n];
    *chart = (rb_chart){0};
    rb_text_copy(chart->slug, sizeof chart->slug, kinds[i].slug);
    bool drawn = kinds[i].draw(&m, chart);
    rb_panel *panels = drawn ? maker_take(&m, m.n_panels, sizeof *panels) : NULL;
    if (m.failed)
      return RB_NO_MEM;
    if (!drawn)
      continue;
    memcpy(panels, m.panels, m.n_panels * sizeof *panels);
    chart->panels = panels;
    chart->n_panels = m.n_panels;
    set->n++;
  }
  return RB_OK;
}
