// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/units.h"

#include <math.h>

static const double lowest_db = -400.0; // stands for minus infinity in tables and plots

double rb_db_from_ratio(double ratio)
{
  return ratio > 1e-20 ? 20.0 * log10(ratio) : lowest_db;
}

double rb_ratio_from_db(double ratio_db)
{
  return pow(10.0, ratio_db / 20.0);
}

double rb_db_from_power(double power_ratio)
{
  return power_ratio > 1e-40 ? 10.0 * log10(power_ratio) : lowest_db;
}

double rb_watts(double level_vrms, double load_ohm)
{
  return level_vrms * level_vrms / load_ohm;
}

double rb_vrms_from_watts(double power_w, double load_ohm)
{
  return sqrt(power_w * load_ohm);
}

double rb_dbfs_from_rms(double rms)
{
  return rb_db_from_ratio(rms * sqrt(2.0));
}

double rb_fold_deg(double angle_deg)
{
  double folded = fmod(angle_deg, 360.0);
  if (folded > 180.0)
    folded -= 360.0;
  if (folded <= -180.0)
    folded += 360.0;
  return folded;
}

double rb_deg_from_rad(double angle_rad)
{
  return angle_rad * (180.0 / RB_PI);
}
