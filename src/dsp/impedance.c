// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/impedance.h"

#include "rollbook/base/units.h"

#include <math.h>

static double complex source_impedance(double complex v1, double complex v2, double r1_ohm,
                                       double r2_ohm)
{
  return (v1 - v2) / (v2 / r2_ohm - v1 / r1_ohm);
}

rb_status rb_output_impedance_from_loads(const rb_two_loads *loads, rb_output_impedance *result)
{
  const double r1 = loads->load_ohm[0], r2 = loads->load_ohm[1];
  const double complex v1 = loads->voltage[0], v2 = loads->voltage[1];
  if (!(r1 > 0 && r2 > 0) || fabs(r1 - r2) < 1e-6 * r1 || cabs(v2 / r2 - v1 / r1) == 0)
    return RB_BAD_ARG;
  const double complex z = source_impedance(v1, v2, r1, r2);
  // First order (JCGM 100, 5.1.2): one quantity at a time, moved by its own uncertainty.
  const double load_part =
      hypot(creal(source_impedance(v1, v2, r1 * (1 + loads->load_relative[0]), r2) - z),
            creal(source_impedance(v1, v2, r1, r2 * (1 + loads->load_relative[1])) - z));
  const double voltage_part =
      hypot(creal(source_impedance(v1 * (1 + loads->voltage_relative[0]), v2, r1, r2) - z),
            creal(source_impedance(v1, v2 * (1 + loads->voltage_relative[1]), r1, r2) - z));
  *result = (rb_output_impedance){.impedance_ohm = z,
                                  .uncertainty_ohm = hypot(load_part, voltage_part),
                                  .load_uncertainty_ohm = load_part};
  return RB_OK;
}

double rb_damping_factor(double rated_ohm, double complex impedance_ohm)
{
  const double size_ohm = cabs(impedance_ohm);
  return size_ohm * 1e6 > rated_ohm ? rated_ohm / size_ohm : 1e6;
}

/// √(1 + Vas/Vb): how a box raises resonance and Q.
static double box_factor(const rb_loudspeaker *speaker)
{
  return speaker->box_l > 0 ? sqrt(1 + speaker->vas_l / speaker->box_l) : 1;
}

rb_status rb_closed_box_of(const rb_loudspeaker *speaker, double source_ohm, rb_closed_box *box)
{
  const int boxed = speaker->box_l > 0;
  if (!(speaker->coil_ohm > 0 && speaker->coil_h >= 0 && speaker->resonance_hz > 0 &&
        speaker->q_mechanical > 0 && speaker->q_electrical > 0 && source_ohm >= 0 &&
        (!boxed || speaker->vas_l > 0)))
    return RB_BAD_ARG;
  const double factor = box_factor(speaker);
  const double q_mechanical = speaker->q_mechanical * factor;
  const double q_electrical =
      speaker->q_electrical * factor * (speaker->coil_ohm + source_ohm) / speaker->coil_ohm;
  *box = (rb_closed_box){.resonance_hz = speaker->resonance_hz * factor,
                         .q_total = q_mechanical * q_electrical / (q_mechanical + q_electrical),
                         .peak_ohm = speaker->coil_ohm *
                                     (1 + speaker->q_mechanical / speaker->q_electrical)};
  return RB_OK;
}

double complex rb_loudspeaker_impedance(const rb_loudspeaker *speaker, double freq_hz)
{
  const double factor = box_factor(speaker);
  const double complex x = CMPLX(0, freq_hz / (speaker->resonance_hz * factor));
  const double complex damping = x / (speaker->q_mechanical * factor);
  const double complex motional = speaker->coil_ohm * speaker->q_mechanical /
                                  speaker->q_electrical * damping / (1 + x * x + damping);
  return CMPLX(speaker->coil_ohm, 2 * RB_PI * freq_hz * speaker->coil_h) + motional;
}

double complex rb_impedance_at(const double *curve_hz, const double *magnitude_ohm,
                               const double *phase_deg, size_t n, double freq_hz)
{
  size_t i = 1;
  while (i + 1 < n && curve_hz[i] < freq_hz)
    i++;
  if (n == 1)
    i = 0;
  const size_t low = i > 0 ? i - 1 : 0;
  double share = 0;
  if (i > low)
    share = log(freq_hz / curve_hz[low]) / log(curve_hz[i] / curve_hz[low]);
  share = fmin(1, fmax(0, share));
  const double size_ohm = magnitude_ohm[low] * pow(magnitude_ohm[i] / magnitude_ohm[low], share);
  if (phase_deg == NULL)
    return size_ohm;
  const double angle_deg = phase_deg[low] + share * (phase_deg[i] - phase_deg[low]);
  return size_ohm * cexp(CMPLX(0, angle_deg * RB_PI / 180));
}

double rb_loading_db(double complex speaker_ohm, double complex source_ohm, double load_ohm)
{
  const double complex into_speaker = speaker_ohm / (speaker_ohm + source_ohm);
  const double complex into_load = load_ohm / (load_ohm + source_ohm);
  return rb_db_from_ratio(cabs(into_speaker / into_load));
}
