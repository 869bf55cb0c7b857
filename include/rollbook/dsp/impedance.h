// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_DSP_IMPEDANCE_H
#define ROLLBOOK_DSP_IMPEDANCE_H

#include "rollbook/base/attributes.h"
#include "rollbook/base/status.h"

#include <complex.h>
#include <stddef.h>

// unitless: voltage, voltage_relative, load_relative, q_mechanical, q_electrical, q_total

/// Output impedance from two loads, and what it makes of a loudspeaker's impedance.

/// Complex voltages (same drive, same time origin) over two known load resistances, with the
/// relative standard uncertainties of each.
typedef struct rb_two_loads {
  double complex voltage[2];
  double load_ohm[2];
  double voltage_relative[2]; ///< Standard uncertainty of each voltage, relative, from noise.
  double load_relative[2];    ///< Standard uncertainty of each load, relative.
} rb_two_loads;

typedef struct rb_output_impedance {
  double complex impedance_ohm; ///< Resistance + j·reactance.
  double uncertainty_ohm;       ///< Standard, of the resistance: voltages and loads together.
  double load_uncertainty_ohm;  ///< The part that the loads' tolerances give.
} rb_output_impedance;

/// Zo = (V1 − V2)/(V2/R2 − V1/R1) (Thévenin). RB_BAD_ARG where the loads are equal or not
/// positive.
RB_NODISCARD rb_status rb_output_impedance_from_loads(const rb_two_loads *loads,
                                                      rb_output_impedance *result);

/// rated_ohm/|Zo|; 1e6 where the impedance is too small to tell.
double rb_damping_factor(double rated_ohm, double complex impedance_ohm);

/// Moving-coil loudspeaker in a closed box by its small-signal parameters (R. H. Small, J. Audio
/// Eng. Soc. 20(10), 1972; N. Thiele 1961).
typedef struct rb_loudspeaker {
  double coil_ohm;     ///< Re.
  double coil_h;       ///< Le; 0 for none.
  double resonance_hz; ///< fs, free air.
  double q_mechanical; ///< Qms.
  double q_electrical; ///< Qes.
  double vas_l;        ///< Vas, litres.
  double box_l;        ///< Vb, litres; 0: no box.
} rb_loudspeaker;

typedef struct rb_closed_box {
  double resonance_hz; ///< fc.
  double q_total;      ///< Qtc with an amplifier of output resistance `source_ohm`.
  double peak_ohm;     ///< Impedance at fc without the coil's inductance.
} rb_closed_box;

/// fc, Qtc seen through `source_ohm`, and the impedance peak. RB_BAD_ARG for parameters ≤ 0.
RB_NODISCARD rb_status rb_closed_box_of(const rb_loudspeaker *speaker, double source_ohm,
                                        rb_closed_box *box);

/// Impedance at `freq_hz` of a loudspeaker that rb_closed_box_of() accepts.
double complex rb_loudspeaker_impedance(const rb_loudspeaker *speaker, double freq_hz);

/// A measured impedance curve at `freq_hz`: magnitude linear in log–log, angle linear over log
/// frequency, end values outside. `phase_deg` may be NULL: then the magnitude is taken as
/// resistive (the error is small for angles under 45°).
double complex rb_impedance_at(const double *curve_hz, const double *magnitude_ohm,
                               const double *phase_deg, size_t n, double freq_hz);

/// Level at the loudspeaker's terminals against a resistive load of `load_ohm`, dB: what a
/// response measured into the resistor gains or loses at a frequency where the loudspeaker has
/// `speaker_ohm` and the amplifier `source_ohm`.
double rb_loading_db(double complex speaker_ohm, double complex source_ohm, double load_ohm);

#endif
