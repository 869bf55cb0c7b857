// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_UNITS_H
#define ROLLBOOK_BASE_UNITS_H

/// Inside the program levels are linear; decibels and percent are made here.

#define RB_PI 3.14159265358979323846

double rb_db_from_ratio(double ratio);       ///< 20·log10 of an amplitude ratio; −400 for 0.
double rb_ratio_from_db(double ratio_db);    ///< Amplitude ratio.
double rb_db_from_power(double power_ratio); ///< 10·log10 of a power ratio; −400 for 0.
double rb_watts(double level_vrms, double load_ohm);        ///< V²/R.
double rb_vrms_from_watts(double power_w, double load_ohm); ///< √(P·R).

/// Full scale as AES17 defines it (from memory of AES17): a sine whose peaks reach ±1 reads 0 dBFS,
/// and so does any signal of that rms value.
double rb_dbfs_from_rms(double rms);

/// An angle folded into −180 < angle ≤ 180.
double rb_fold_deg(double angle_deg);
double rb_deg_from_rad(double angle_rad);

#endif
