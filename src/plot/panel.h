// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_PLOT_PANEL_H
#define ROLLBOOK_SRC_PLOT_PANEL_H

#include "rollbook/plot/chart.h"

enum { PANEL_WIDTH = 420 };

double panel_height(const rb_panel *panel);

// Everything inside one panel, from (0, 0) to (PANEL_WIDTH, panel_height). Ids begin with `id`.
void panel_draw(const rb_panel *panel, const char *id, rb_text *svg);

#endif
