// SPDX-License-Identifier: GPL-3.0-or-later
#include "charts.h"

#include "rollbook/report/words.h"

// The strongest harmonic of each channel, of the last line-up shown.
static void add_strongest(const chart_maker *m, rb_text *title)
{
  size_t side = m->page->n_sides - 1, told = 0;
  rb_text_add(title, side ? "Strongest beside the tone, with B:" : "Strongest beside the tone:");
  for (size_t c = 0; c < CHART_CHANNELS; c++) {
    const shown_row *best = NULL;
    for (int order = LOWEST_ORDER; order <= HIGHEST_ORDER; order++) {
      const shown_row *row = maker_order(m, order, chart_channels[c]);
      bool counts = row && row->sides[side].present && row->sides[side].resolved;
      if (counts && (!best || row->sides[side].value > best->sides[side].value))
        best = row;
    }
    if (!best)
      continue;
    rb_text_printf(title, "%s %s %s", told++ ? "," : "", rb_label_words(best->quantity.key).text,
                   rb_channel_name(chart_channels[c]));
  }
}

bool chart_spectrum(chart_maker *m, rb_chart *chart)
{
  if (!m->condition || !maker_curve_panels(m, "spectrum", m->condition, "Level", true))
    return false;
  rb_text title = {0}, note = {0};
  add_strongest(m, &title);
  chart->title = maker_text(m, &title);
  maker_name_sides(m, &note);
  rb_text_printf(&note, "Spectrum, %s. Of each column of the picture the largest value is drawn.",
                 rb_condition_words(m->condition).text);
  chart->note = maker_text(m, &note);
  chart->description = "Level against frequency from 20 Hz to 20 kHz, one panel a channel.";
  return true;
}
