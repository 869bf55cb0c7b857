// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

bool chart_response(chart_maker *m, rb_chart *chart)
{
  if (m->page->n_sides == 2 || !maker_curve_panels(m, "response", NULL, "Response", false))
    return false;
  rb_text title = {0};
  maker_finding(m, &title, "low_3db", NULL);
  chart->title = maker_text(m, &title);
  chart->description = "Level against frequency from 20 Hz to 20 kHz, one panel a channel.";
  return true;
}
