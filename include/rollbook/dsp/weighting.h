// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_WEIGHTING_H
#define ROLLBOOK_DSP_WEIGHTING_H

#include <stddef.h>

/// Frequency weightings as amplitude gains, 1 at 1 kHz. They are applied to power spectra, which
/// spares the error that a digital filter makes near half the rate.

typedef enum rb_weighting {
  RB_WEIGHTING_NONE, ///< 1 everywhere.
  RB_WEIGHTING_A,    ///< IEC 61672-1:2002, 5.4: A.
  RB_WEIGHTING_C,    ///< IEC 61672-1:2002, 5.4: C.
  RB_WEIGHTING_468,  ///< ITU-R BS.468-4 network, 0 dB at 1 kHz.
  RB_WEIGHTING_COUNT
} rb_weighting;

/// Gain at `freq_hz` ≥ 0.
double rb_weighting_gain(rb_weighting weighting, double freq_hz);

/// The network of ITU-R BS.468-4 reads 0 dB at 1 kHz; AES17 (from memory) shifts it to 0 dB at
/// 2 kHz. Multiply by this gain for that.
double rb_weighting_468_shift_2k(void);

/// One-third-octave bands, base ten (IEC 61260-1:2014; nominal frequencies from ISO 266, from
/// memory): mid-band 1000·10^(n/10), edges a factor 10^(1/20) to each side.
typedef struct rb_third_octave {
  double nominal_hz; ///< As it is called: 31.5.
  double mid_hz;     ///< As it is: 31.6228.
  double low_hz, high_hz;
} rb_third_octave;

enum { RB_THIRD_OCTAVES = 31 };

/// Bands 20 Hz (index 0) … 20 kHz (index 30); 1 kHz is index 17.
rb_third_octave rb_third_octave_band(size_t index);

#endif
