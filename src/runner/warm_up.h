// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RUNNER_WARM_UP_H
#define ROLLBOOK_RUNNER_WARM_UP_H

#include "session.h"

enum { WARM_UP_PROBES = 512 };

/// The warm-up gate: short probe tones, and how fast the gain they show moves. Private to this
/// room.
typedef struct warm_up {
  ready_step probe;
  size_t n;
  double at_min[WARM_UP_PROBES];     ///< Since power-on.
  double gain_db[2][WARM_UP_PROBES]; ///<
  double spread_db[2];               ///< Standard uncertainty of the last probe.
} warm_up;

/// How fast the gain of one channel moves.
typedef struct drift {
  double slope_db_per_min;       ///<
  double uncertainty_db_per_min; ///<
  bool known;                    ///< Enough probes over enough time.
} drift;

/// A probe of `frequency_hz` at `power_w`; `peak` is set by the caller.
RB_NODISCARD rb_status warm_up_prepare(bench_session *session, double frequency_hz, double power_w,
                                       warm_up *gate, rb_err *err);

/// Plays one probe, `since_power_on_s` after power-on.
RB_NODISCARD rb_status warm_up_probe(bench_session *session, warm_up *gate, double since_power_on_s,
                                     rb_err *err);

/// By the probes of the last minute and a half: at least three over at least half a minute.
drift warm_up_drift(const warm_up *gate, unsigned channel);

/// Both channels' drift is known and below RB_SETTLED_DB_PER_MIN with its uncertainty.
bool warm_up_settled(const warm_up *gate);

/// Adds drift_gain, where it is known.
RB_NODISCARD rb_status warm_up_add_readings(const warm_up *gate, rb_results *results);

#endif
