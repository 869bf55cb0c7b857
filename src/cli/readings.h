// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_READINGS_H
#define ROLLBOOK_CLI_READINGS_H

#include "rollbook/cli/console.h"
#include "rollbook/model/results.h"

/// A listing of readings by condition, left and right side by side. `brief`: only the ones that
/// tell a pass at a glance.
void rb_list_readings(rb_console *console, const rb_results *results, bool brief);

#endif
