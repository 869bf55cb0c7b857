// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_BENCH_H
#define ROLLBOOK_MODEL_BENCH_H

#include <stdbool.h>

enum { RB_URI_SIZE = 160 };

/// Sound card, attenuator and load as the user entered them, with what calibration found.
typedef struct rb_bench {
  char rig[RB_URI_SIZE];       ///< "card:NAME", "sim:seed=1", "file:take.wav".
  double rate_hz;              ///< Of player and recorder.
  unsigned output_channels[2]; ///< Card channels (from 1) that drive left and right.
  unsigned input_channels[2];  ///< Card channels (from 1) that hear left and right.
  double load_ohm;             ///< Resistance of the load.
  double load_tolerance_pct;   ///< Half-width of its tolerance.
  double attenuator_ratio;     ///< Volts at the load over volts at the card's input, ≥ 1.
  double mains_hz;             ///< 50 or 60; 0: find it.
  double ceiling_dbfs;         ///< Drive is never above this, ≤ 0.
  double ceiling_w;            ///< Power at the load is never asked above this.
  double speaker_db;           ///< Loudspeaker: dB SPL at 1 m for 2.83 V; 0 where not entered.
  double listener_m;           ///< From loudspeaker to listener; 0 where not entered.
  bool calibrated;             ///< The next three hold.
  double load_vrms_per_fs[2];  ///< Volts rms at the load for a captured 0 dBFS sine.
  double calibration_pct;      ///< Standard uncertainty of that, percent.
  char calibrated_at[32];      ///< UTC, ISO 8601.
  int polarity[2];             ///< +1, −1; 0 where not known yet.
} rb_bench;

/// What an unconfigured bench is: the simulated rig at 48 kHz, 8 ohm, not calibrated.
rb_bench rb_bench_default(void);

#endif
