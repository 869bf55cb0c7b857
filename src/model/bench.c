// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/bench.h"

rb_bench rb_bench_default(void)
{
  return (rb_bench){.rig = "sim:",
                    .rate_hz = 48000,
                    .output_channels = {1, 2},
                    .input_channels = {1, 2},
                    .load_ohm = 8,
                    .load_tolerance_pct = 1,
                    .attenuator_ratio = 20,
                    .mains_hz = 0,
                    .ceiling_dbfs = 0,
                    .ceiling_w = 10};
}
