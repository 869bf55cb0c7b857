// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/lanes.h"
#include "rollbook/amp/solver.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

enum { WIDE = 4 };

RB_LANE_INLINE rb_lane get(const double *from)
{
  rb_lane lane;
  memcpy(&lane, from, sizeof lane);
  return lane;
}

RB_LANE_INLINE void put(double *to, rb_lane lane)
{
  memcpy(to, &lane, sizeof lane);
}

/// The space-charge law 2·E^x of four tubes (rollbook/amp/tube.h) with its slopes, not scaled.
RB_LANE_INLINE void space_charge(const rb_lanes *lanes, const double v[RB_PORTS], unsigned first,
                                 rb_lane *p, rb_lane *by_grid, rb_lane *by_work)
{
  const rb_lane grid = get(v + RB_PORT_GRID + first) + get(lanes->shift_v + first);
  const rb_lane asked = get(v + RB_PORT_WORK + first);
  const rb_lane work = rb_lane_most(asked, rb_lane_all(1e-9));
  const rb_lane inverse_kp = get(lanes->inverse_kp + first);
  const rb_lane inverse_s = 1 / rb_lane_sqrt(get(lanes->kvb + first) + work * work);
  const rb_lane u = get(lanes->kp + first) * (get(lanes->inverse_mu + first) + grid * inverse_s);
  const rb_lane u_safe =
      rb_lane_choose(u > -150, rb_lane_choose(u < 1e4, u, rb_lane_all(1e4)), rb_lane_all(-150));
  const rb_lane minus = -rb_lane_abs(u_safe);
  const rb_lane z = rb_lane_exp(rb_lane_choose(minus > -700, minus, rb_lane_all(-700)));
  const rb_lane soft = rb_lane_choose(u_safe > 0, u_safe, rb_lane_all(0)) + rb_lane_log1p(z);
  const rb_lane slope = rb_lane_choose(u_safe > 0, rb_lane_all(1), z) / (1 + z);
  const rb_lane e = work * inverse_kp * soft;
  const rb_lane exponent = get(lanes->exponent + first);
  const rb_lane current = 2 * rb_lane_exp(exponent * rb_lane_log(e));
  const rb_lane by_e = exponent * current / e;
  const rb_lane reach = work * inverse_s;
  const rb_lane_bits on = asked > 0;
  *p = rb_lane_choose(on, current, rb_lane_all(0));
  *by_grid = rb_lane_choose(on, by_e * reach * slope, rb_lane_all(0));
  *by_work = rb_lane_choose(
      on, by_e * (soft * inverse_kp - reach * reach * slope * grid * inverse_s), rb_lane_all(0));
}

RB_LANE_INLINE void triodes(const rb_lanes *lanes, const double v[RB_PORTS], rb_currents *at)
{
  rb_lane p, by_grid, by_work;
  space_charge(lanes, v, 0, &p, &by_grid, &by_work);
  const rb_lane scale = get(lanes->scale);
  put(at->plate, p * scale);
  put(at->plate_by_grid, by_grid * scale);
  put(at->plate_by_work, by_work * scale);
}

RB_LANE_INLINE void pentodes(const rb_lanes *lanes, const double v[RB_PORTS], rb_currents *at)
{
  rb_lane p, by_grid, by_work;
  space_charge(lanes, v, WIDE, &p, &by_grid, &by_work);
  const rb_lane plate_v = {v[RB_PORT_PLATE5], v[RB_PORT_PLATE5 + 1], 0, 0};
  const rb_lane knee = get(lanes->knee + WIDE), early = get(lanes->early + WIDE);
  const rb_lane reach = plate_v * knee;
  const rb_lane arc = rb_lane_atan(reach);
  const rb_lane arc_slope = knee / (1 + reach * reach);
  const rb_lane tilt = 1 + plate_v * early;
  const rb_lane scale = get(lanes->scale + WIDE), scale2 = get(lanes->scale2 + WIDE);
  const rb_lane rise = get(lanes->rise + WIDE);
  const rb_lane plate = arc * tilt * scale;
  const rb_lane screen = (1 + rise * (1 - 2 / RB_PI * arc)) * scale2;
  put(at->plate + WIDE, p * plate);
  put(at->plate_by_grid + WIDE, by_grid * plate);
  put(at->plate_by_work + WIDE, by_work * plate);
  put(at->plate_by_plate + WIDE, p * (arc_slope * tilt + arc * early) * scale);
  put(at->screen + WIDE, p * screen);
  put(at->screen_by_grid + WIDE, by_grid * screen);
  put(at->screen_by_work + WIDE, by_work * screen);
  put(at->screen_by_plate + WIDE, p * rise * (-2 / RB_PI) * arc_slope * scale2);
}

/// I/(1 + (I/isat)⁴)^¼ on plate and screen together.
RB_LANE_INLINE void limit_emission(unsigned t, double isat_a, rb_currents *at)
{
  const bool screened = t >= RB_NET_TRIODES;
  const double screen = screened ? at->screen[t] : 0;
  const double total = at->plate[t] + screen;
  if (!(total > 0))
    return;
  const double r2 = (total / isat_a) * (total / isat_a), r4 = r2 * r2;
  const double factor = 1 / sqrt(sqrt(1 + r4));
  const double slope = -factor * r4 / (1 + r4) / total;
  double *const by[3] = {at->plate_by_grid + t, at->plate_by_work + t, at->plate_by_plate + t};
  double *const screen_by[3] = {at->screen_by_grid + t, at->screen_by_work + t,
                                at->screen_by_plate + t};
  for (unsigned k = 0; k < (screened ? 3u : 2u); k++) {
    const double more = slope * (*by[k] + (screened ? *screen_by[k] : 0));
    *by[k] = factor * *by[k] + more * at->plate[t];
    if (screened)
      *screen_by[k] = factor * *screen_by[k] + more * screen;
  }
  at->plate[t] *= factor;
  if (screened)
    at->screen[t] *= factor;
}

RB_LANE_INLINE void grids(const rb_lanes *lanes, const double v[RB_PORTS], rb_currents *at)
{
  bool live = false;
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    live |= v[RB_PORT_GRID + t] + lanes->shift_v[t] > lanes->grid_start_v[t];
  at->grids_live = live;
  if (!live)
    return;
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const double x = v[RB_PORT_GRID + t] + lanes->shift_v[t] - lanes->grid_start_v[t];
    const double drawn = x > 0 ? x : 0;
    at->grid[t] = lanes->grid_slope[t] * drawn * drawn / (1 + drawn);
    at->grid_by_grid[t] = lanes->grid_slope[t] * drawn * (2 + drawn) / ((1 + drawn) * (1 + drawn));
  }
}

RB_LANE_INLINE void all_lanes(const rb_lanes *lanes, const double v[RB_PORTS], rb_currents *at)
{
  triodes(lanes, v, at);
  pentodes(lanes, v, at);
  if (lanes->any_limit)
    for (unsigned t = 0; t < RB_NET_TUBES; t++)
      if (lanes->isat_a[t] > 0)
        limit_emission(t, lanes->isat_a[t], at);
  grids(lanes, v, at);
}

RB_HOT void rb_lanes_at(const rb_lanes *lanes, const double v[RB_PORTS], rb_currents *at)
{
  all_lanes(lanes, v, at);
}
