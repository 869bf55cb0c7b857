// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_CLI_READINGS_H
#define ROLLBOOK_CLI_READINGS_H

#include "rollbook/cli/console.h"
#include "rollbook/model/results.h"

/// Whether this reading is one of the few that tell a pass at a glance.
bool rb_is_brief_reading(const char *key);

/// A reading that says nothing: the angle of a harmonic that was not found.
bool rb_is_empty_reading(const char *unit, bool resolved);

/// A listing of readings by condition, left and right side by side. `brief`: only the ones that
/// tell a pass at a glance.
void rb_list_readings(rb_console *console, const rb_results *results, bool brief);

#endif
