// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_AMP_TUBE_H
#define ROLLBOOK_AMP_TUBE_H

#include "rollbook/base/error.h"
#include "rollbook/base/text.h"
#include "rollbook/model/amplifier.h"

#include <stdbool.h>
#include <stdint.h>

// Numbers without a unit, and mixed vectors and slopes whose units stand beside them:
// unitless: exponent, kg, kp, kvb, kg2, screen_rise, grid_slope, gm, sections, plate_by_grid
// unitless: plate_by_plate, plate_by_screen, screen_by_grid, screen_by_plate, screen_by_screen
// unitless: grid_by_grid, emission, heater_rectify

/// The tubes of the simulated amplifier: published current laws, a table of types, and what makes
/// one tube differ from the next.

typedef enum rb_tube_kind { RB_TWIN_TRIODE, RB_PENTODE } rb_tube_kind;

/// Parameters of the current law of one section (Koren, Glass Audio 8(5), 1996), with a smooth grid
/// current added, and for pentodes a screen current that rises where the plate voltage is low:
///
///   triode   E = (vp/kp)·ln(1 + exp(kp·(1/mu + vg/√(kvb + vp²))))
///            Ip = 2·E^exponent/kg,  0 for vp ≤ 0
///   pentode  E = (v2/kp)·ln(1 + exp(kp·(1/mu + vg/v2))),  P = 2·E^exponent
///            Ip = (P/kg)·atan(vp/knee)·(1 + vp/early)
///            Ig2 = (P/kg2)·(1 + screen_rise·(1 − (2/π)·atan(vp/knee)))
///   grid     Ig = grid_slope·x²/(1 + x),  x = max(vg − grid_start, 0)
///   emission I ← I/(1 + (I/isat)⁴)^¼ on the whole cathode current
///
/// Volts and amperes; voltages from the cathode.
typedef struct rb_tube_law {
  double mu;
  double exponent;
  double kg;
  double kp;
  double kvb;          ///< Triode, V².
  double kg2;          ///< Pentode.
  double knee_v;       ///< Pentode.
  double early_v;      ///< Pentode.
  double screen_rise;  ///< Pentode.
  double grid_slope;   ///< A/V².
  double grid_start_v; ///<
} rb_tube_law;

/// How new tubes of a type scatter. Assumed figures, not measured on real tubes.
typedef struct rb_tube_spread {
  double mu;       ///< Relative standard deviation.
  double gm;       ///< Relative standard deviation.
  double cutoff_v; ///< Standard deviation.
  double sections; ///< Correlation of the two halves of a twin.
} rb_tube_spread;

typedef struct rb_tube_type {
  const char *name;
  const char *same_as; ///< Other names, separated by blanks.
  rb_tube_kind kind;
  rb_tube_law law;
  rb_tube_spread spread;
  const char *source; ///< Where the law's parameters come from.
} rb_tube_type;

/// All types. Shared, not to be freed.
const rb_tube_type *rb_tube_types(size_t *n_types);

/// The type of that name or other name, or NULL.
const rb_tube_type *rb_tube_type_named(const char *name);

/// Currents of one section at one point, and their derivatives by each voltage.
typedef struct rb_tube_point {
  double plate_a, screen_a, grid_a;
  double plate_by_grid, plate_by_plate, plate_by_screen;    ///< A/V.
  double screen_by_grid, screen_by_plate, screen_by_screen; ///< A/V.
  double grid_by_grid;                                      ///< A/V.
} rb_tube_point;

/// `isat_a` ≤ 0: no emission limit. `screen_v` is not used by triodes. Plain library functions
/// throughout: the reference for the solver's faster form.
rb_tube_point rb_tube_law_at(const rb_tube_type *type, double grid_v, double plate_v,
                             double screen_v, double isat_a);

/// What a section truly is. SI units; factors are relative to the type's bogey value, 1 for a bogey
/// tube.
typedef struct rb_section_truth {
  double gm;              ///< Factor on all currents at given voltages.
  double mu;              ///< Factor.
  double cutoff_v;        ///< Added to the grid voltage the section feels.
  double emission;        ///< Factor on all currents: wear.
  double isat_a;          ///< The cathode gives no more than this; 0: no limit.
  double heater_leak_ohm; ///< Heater to cathode; 0: none.
  double heater_rectify;  ///< 0 plain resistance … 1 conducts one way much better.
  double gas_a;           ///< Current out of the grid when hot, growing in the first minutes.
  double noise_v;         ///< White noise at the grid, V/√Hz.
  double flicker_hz;      ///< Where 1/f noise equals the white noise.
  double ring_hz;         ///< Microphony: mechanical resonance …
  double ring_decay_s;    ///< … time to 1/e …
  double ring_a;          ///< … plate current a knock of strength 1 starts.
  double pop_rate_hz;     ///< Pops per second …
  double pop_a;           ///< … and their plate current.
  double crackle_rate_hz; ///< Bursts of crackle per second …
  double crackle_a;       ///< … and the plate current of their impulses.
  double burst_rate_hz;   ///< Two-level (popcorn) noise: switches per second …
  double burst_v;         ///< … and the step, at the grid.
  double loose_rate_hz;   ///< Losses of contact per second, some ten milliseconds each.
} rb_section_truth;

/// What a tube truly is.
typedef struct rb_tube_truth {
  const rb_tube_type *type;
  rb_section_truth section[2]; ///< A pentode has only the first.
  double coupling_leak_ohm;    ///< Of the capacitor before this socket's grid; 0: none. A fault
                               ///< of the socket, written with the tube.
} rb_tube_truth;

/// A tube exactly as its type says, without noise or faults.
rb_tube_truth rb_tube_bogey(const rb_tube_type *type);

/// What `tube` is: its own text (`tube->truth`) over a bogey tube, or where that is empty, a draw
/// from the spread of new tubes made from its label, its type and `seed` alone.
///
/// The text is a list of `key=value;…`, as "gm=0.92;mu=1.01;heater_leak=2e7;a.gm=1.05"; "a." and
/// "b." in front of a key mean one section. RB_BAD_ARG names a wrong key and lists the right ones.
RB_NODISCARD rb_status rb_tube_truth_of(const rb_tube *tube, uint64_t seed, rb_tube_truth *truth,
                                        rb_err *err);

/// Checks a truth text against a type; for `tube add`.
RB_NODISCARD rb_status rb_tube_truth_read(const char *text, rb_tube_truth *truth, rb_err *err);

/// The keys of a truth text with unit and meaning, one a line; for `--help` and error messages.
void rb_tube_truth_keys(rb_text *text);

/// The small change of contacts and of cathode temperature that comes with taking a tube out and
/// putting it back: 0.3 % of gm, 15 mV of cut-off (assumed), from `seed` alone.
void rb_tube_reseat(rb_tube_truth *truth, uint64_t seed);

#endif
