// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

bool chart_noise(chart_maker *m, rb_chart *chart)
{
  if (!maker_curve_panels(m, "noise_spectrum", NULL, "Noise", true))
    return false;
  rb_text title = {0}, note = {0};
  maker_finding(m, &title, shown_find(m->page, "noise_a", RB_LEFT, NULL) ? "noise_a" : "noise",
                NULL);
  chart->title = maker_text(m, &title);
  maker_name_sides(m, &note);
  rb_text_add(&note, "Nothing played. Narrow peaks are hum and its multiples.");
  chart->note = maker_text(m, &note);
  chart->description = "Noise against frequency from 20 Hz to 20 kHz, one panel a channel.";
  return true;
}
