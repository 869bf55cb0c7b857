// SPDX-License-Identifier: GPL-3.0-or-later
#include "axis.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { STEPS = 8 };

rb_axis rb_axis_frequency(void)
{
  return (rb_axis){
      .kind = RB_AXIS_LOG, .low = 20, .high = 20000, .title = "Frequency (Hz)", .hertz = true};
}

double rb_round_step(double least)
{
  double decade = pow(10, floor(log10(least)));
  const double steps[] = {1, 2, 5, 10};
  for (size_t i = 0; i < RB_LEN(steps); i++)
    if (steps[i] * decade >= least * (1 - 1e-9))
      return steps[i] * decade;
  return 10 * decade;
}

rb_axis rb_axis_around(double low, double high, double least, const char *title)
{
  double lacking = fmax(0, least - (high - low));
  low -= lacking / 2;
  high += lacking / 2;
  double step = rb_round_step(fmax(high - low, 1e-12) / STEPS);
  return (rb_axis){.kind = RB_AXIS_LINEAR,
                   .low = step * floor(low / step + 1e-9),
                   .high = step * ceil(high / step - 1e-9),
                   .title = title};
}

// 1, 3, 10 …: whole and half decades (3 for √10, so that the end can be read).
static double half_decade(double value, bool up)
{
  double decade = pow(10, floor(log10(value) + 1e-9));
  double share = value / decade;
  if (up)
    return share <= 1.0001 ? decade : share <= 3.0001 ? 3 * decade : 10 * decade;
  return share >= 2.9999 ? 3 * decade : decade;
}

rb_axis rb_axis_decades(double low, double high, const char *title)
{
  double bottom = half_decade(fmax(low, 1e-12), false);
  double top = half_decade(fmax(high, bottom * 1.5), true);
  return (rb_axis){.kind = RB_AXIS_LOG, .low = bottom, .high = top, .title = title};
}

double axis_place(const rb_axis *axis, double value)
{
  if (axis->kind == RB_AXIS_LOG)
    return log(value / axis->low) / log(axis->high / axis->low);
  return (value - axis->low) / (axis->high - axis->low);
}

bool axis_shows(const rb_axis *axis, double value)
{
  return value >= axis->low && value <= axis->high;
}

static void write_label(const rb_axis *axis, double value, int decimals, tick *out)
{
  bool thousands = axis->hertz && fabs(value) >= 1000;
  char digits[16];
  if (axis->kind == RB_AXIS_LOG)
    snprintf(digits, sizeof digits, "%.6g", fabs(thousands ? value / 1000 : value));
  else
    snprintf(digits, sizeof digits, "%.*f", decimals, fabs(thousands ? value / 1000 : value));
  bool nothing = strspn(digits, "0.") == strlen(digits);
  const char *sign = nothing ? "" : value < 0 ? "\xE2\x88\x92" : axis->signs ? "+" : "";
  out->value = value;
  snprintf(out->label, sizeof out->label, "%s%s%s", sign, nothing ? "0" : digits,
           thousands ? "k" : "");
}

static size_t linear_ticks(const rb_axis *axis, double length, double room, tick *ticks)
{
  double step = rb_round_step((axis->high - axis->low) * room / length);
  int decimals = (int)fmax(0, -floor(log10(step) + 1e-9));
  size_t n = 0;
  for (double k = ceil(axis->low / step - 1e-9);
       k * step <= axis->high + step * 1e-9 && n < MOST_TICKS; k++)
    write_label(axis, k * step, decimals, &ticks[n++]);
  return n;
}

static size_t log_ticks(const rb_axis *axis, double length, double room, tick *ticks)
{
  double decade_length = length / log10(axis->high / axis->low);
  // 1 2 5 stand 0.30 of a decade apart at the closest.
  bool within = decade_length * 0.3 >= room;
  int stride = within ? 1 : (int)fmax(1, ceil(room / decade_length));
  const double parts[] = {1, 2, 5};
  size_t n = 0;
  for (int e = (int)floor(log10(axis->low) + 1e-9); e <= log10(axis->high) + 1e-9; e++)
    for (size_t i = 0; i < (within ? RB_LEN(parts) : 1); i++) {
      double value = parts[i] * pow(10, e);
      bool inside = value >= axis->low * (1 - 1e-9) && value <= axis->high * (1 + 1e-9);
      if (inside && e % stride == 0 && n < MOST_TICKS)
        write_label(axis, value, 0, &ticks[n++]);
    }
  return n;
}

size_t axis_ticks(const rb_axis *axis, double length, double room, tick ticks[MOST_TICKS])
{
  if (axis->kind == RB_AXIS_LINEAR)
    return linear_ticks(axis, length, room, ticks);
  if (axis->kind == RB_AXIS_LOG)
    return log_ticks(axis, length, room, ticks);
  size_t n = axis->n_names < MOST_TICKS ? axis->n_names : MOST_TICKS;
  for (size_t i = 0; i < n; i++) {
    ticks[i].value = (double)i + 1;
    rb_text_copy(ticks[i].label, sizeof ticks[i].label, axis->names[i]);
  }
  return n;
}
