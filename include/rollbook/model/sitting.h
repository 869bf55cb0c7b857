// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_SITTING_H
#define ROLLBOOK_MODEL_SITTING_H

#include "rollbook/model/amplifier.h"
#include "rollbook/model/bench.h"
#include "rollbook/model/results.h"

/// From power-on to power-off with one line-up.
typedef struct rb_sitting {
  int64_t id;
  int64_t lineup_id;
  char started_at[32];     ///< UTC, ISO 8601.
  double powered_on_utc_s; ///< When the amplifier was switched on, as entered or simulated.
  double mains_vrms;       ///< As entered; 0 where not.
  double room_degc;        ///< As entered; NAN where not.
  double drive_dbfs[2];    ///< Found by level finding at the plan's reference power.
  rb_bench bench;          ///< As it stood.
  char note[RB_NOTE_SIZE];
} rb_sitting;

/// One run of a plan in a sitting.
typedef struct rb_pass {
  int64_t id;
  int64_t sitting_id;
  char plan[64];
  char started_at[32];     ///< UTC, ISO 8601.
  double since_power_on_s; ///<
  bool settled;            ///< The warm-up gate was open.
  char program[96];        ///< Version and build that made the readings.
} rb_pass;

#endif
