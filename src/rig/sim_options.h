// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_SRC_RIG_SIM_OPTIONS_H
#define ROLLBOOK_SRC_RIG_SIM_OPTIONS_H

#include "rollbook/amp/simulated.h"

/// What stands behind "sim:": names and defaults in sim_options.c.
typedef struct sim_options {
  double seed;
  double mains_hz, mains_drift_hz;
  double mains_ratio; ///< 0: drawn from the seed.
  double clock_ppm, latency_ms, polarity, bits;
  double pot;            ///< Amplifier's volume control: volts out over volts in.
  double dac_vpeak;      ///< Volts peak of a full-scale sine from the card.
  double adc_vpeak;      ///< Volts peak at the card's input that fill it.
  double attenuator;     ///< Load volts over card input volts.
  double dac_noise_dbfs; ///< Rms, re a full-scale sine.
  double adc_noise_dbfs;
  double ac_hz;         ///< Corner of the card's input coupling.
  double warm_s;        ///< Age of the amplifier when the rig is opened.
  double speaker;       ///< 1: loudspeaker-like load.
  double loopback;      ///< 1: output straight to input, no amplifier.
  double internal_rate; ///< Hz; 0: chosen from what is played.
} sim_options;

/// Reads "seed=7;mains_hz=50;inverter_load_b=35000". Names that are no option are parts of the
/// amplifier. RB_BAD_ARG lists both.
RB_NODISCARD rb_status sim_options_read(const char *text, sim_options *options, rb_amp_setup *setup,
                                        rb_err *err);

#endif
