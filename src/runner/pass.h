// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_RUNNER_PASS_H
#define ROLLBOOK_RUNNER_PASS_H

#include "analyser.h"

/// One run of a plan: plays its steps, analyses each while the next plays, keeps the captures.
/// Private to this room.

enum { PASS_CAPTURES = 256 };

typedef struct pass_run {
  bench_session *session;
  double reference_power_w, reference_peak[2]; ///< What steps are scaled from.
  unsigned number, n_passes;                   ///< Pass 2 of 3, for the words told.
  rb_arena *arena;                             ///< Captures and results of this pass.
  rb_results results;
  rb_kept_capture *captures;
  size_t n_captures;
  analyser analyser;    ///< The last capture's.
  rb_located located;   ///< Of the first capture.
  size_t marker_frames; ///< Between its markers.
} pass_run;

/// Linear peaks of a step's power: by the drive found for the reference power.
void pass_peaks(const pass_run *pass, const rb_step *step, double peak[2]);

/// RB_UNSAFE for a step over the bench's ceilings, in words that name it.
RB_NODISCARD rb_status pass_check_step(const pass_run *pass, const ready_step *step, rb_err *err);

/// Plays and analyses all steps; `pass->arena` is the caller's. On any error the analysis has
/// ended.
RB_NODISCARD rb_status pass_take(pass_run *pass, const ready_step *steps, size_t n_steps,
                                 rb_err *err);

#endif
