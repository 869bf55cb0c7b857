// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/tube.h"

#include "rollbook/base/units.h"

#include <math.h>
#include <string.h>

// Grid current: a smooth law that starts near −0.4 V (triodes) and −0.3 V (pentodes); common
// practice, no source.
#define TRIODE_GRID .grid_slope = 3e-4, .grid_start_v = -0.4
#define PENTODE_GRID .grid_slope = 2e-3, .grid_start_v = -0.3

// Scatter of new tubes: assumed, not measured on real tubes.
#define TRIODE_SPREAD .mu = 0.03, .gm = 0.08, .cutoff_v = 0.05, .sections = 0.8
#define POWER_SPREAD .mu = 0.02, .gm = 0.06, .cutoff_v = 0.4

#define FITTED "fitted here to the data-sheet point"
#define PUBLISHED "knee and mu after Koren 1996, scaled here to the data-sheet point"

static const rb_tube_type types[] = {
    {.name = "6SL7",
     .same_as = "6SL7GT 6SL7WGT 5691 6N9S",
     .kind = RB_TWIN_TRIODE,
     .law = {.mu = 71, .exponent = 1.25, .kg = 1520, .kp = 334, .kvb = 300, TRIODE_GRID},
     .spread = {TRIODE_SPREAD},
     .source = FITTED " 250 V, -2 V: 2.3 mA, 1.6 mS, 44 kohm"},
    {.name = "6SN7",
     .same_as = "6SN7GT 6SN7GTA 6SN7GTB 5692 6N8S 6CG7 6FQ7",
     .kind = RB_TWIN_TRIODE,
     .law = {.mu = 21.8, .exponent = 1.3, .kg = 1266, .kp = 105, .kvb = 300, TRIODE_GRID},
     .spread = {.mu = 0.02, .gm = 0.07, .cutoff_v = 0.05, .sections = 0.8},
     .source = FITTED " 250 V, -8 V: 9 mA, 2.6 mS, 7.7 kohm"},
    {.name = "12AX7",
     .same_as = "ECC83 7025 12AX7A",
     .kind = RB_TWIN_TRIODE,
     .law = {.mu = 110, .exponent = 1.2, .kg = 850.7, .kp = 593.8, .kvb = 12350, TRIODE_GRID},
     .spread = {TRIODE_SPREAD},
     .source = FITTED "s 250 V, -2 V: 1.2 mA, 1.6 mS and 100 V, -1 V: 0.5 mA, 1.25 mS"},
    {.name = "12AU7",
     .same_as = "ECC82 5814A 12AU7A",
     .kind = RB_TWIN_TRIODE,
     .law = {.mu = 23, .exponent = 1.328, .kg = 1228, .kp = 65.45, .kvb = 1494, TRIODE_GRID},
     .spread = {TRIODE_SPREAD},
     .source = FITTED "s 250 V, -8.5 V: 10.5 mA, 2.2 mS and 100 V, 0 V: 11.8 mA"},
    {.name = "12AT7",
     .same_as = "ECC81 6201",
     .kind = RB_TWIN_TRIODE,
     .law = {.mu = 72, .exponent = 1.2, .kg = 370, .kp = 269, .kvb = 8000, TRIODE_GRID},
     .spread = {TRIODE_SPREAD},
     .source = FITTED "s 250 V, -2 V: 10 mA, 5.5 mS and 100 V: 3.7 mA, 4.0 mS"},
    {.name = "EL34",
     .same_as = "6CA7",
     .kind = RB_PENTODE,
     .law = {.mu = 11,
             .exponent = 1.35,
             .kg = 760,
             .kg2 = 4000,
             .kp = 60,
             .knee_v = 24,
             .early_v = 2500,
             .screen_rise = 3.5,
             PENTODE_GRID},
     .spread = {POWER_SPREAD},
     .source = PUBLISHED " 250 V, 250 V, -12.2 V: 100 mA, 15 mA, 11 to 12.5 mS"},
    {.name = "KT88",
     .same_as = "",
     .kind = RB_PENTODE,
     .law = {.mu = 8,
             .exponent = 1.35,
             .kg = 841.3,
             .kg2 = 42226,
             .kp = 71.87,
             .knee_v = 52.95,
             .early_v = 1e9,
             .screen_rise = 3.5,
             PENTODE_GRID},
     .spread = {POWER_SPREAD},
     .source = FITTED " 250 V, 250 V, -15 V: 140 mA, 3 mA, 11.5 mS (from memory)"},
    {.name = "6550",
     .same_as = "6550A",
     .kind = RB_PENTODE,
     .law = {.mu = 8.173,
             .exponent = 1.355,
             .kg = 864.9,
             .kg2 = 12451,
             .kp = 42.1,
             .knee_v = 70.8,
             .early_v = 1e9,
             .screen_rise = 3.5,
             PENTODE_GRID},
     .spread = {POWER_SPREAD},
     .source = FITTED "s 250 V, 250 V, -14 V: 140 mA, 12 mA and 400 V, 225 V, -16.5 V: 87 mA"},
    {.name = "6L6GC",
     .same_as = "5881",
     .kind = RB_PENTODE,
     .law = {.mu = 8.123,
             .exponent = 1.353,
             .kg = 1619.6,
             .kg2 = 29835,
             .kp = 52.21,
             .knee_v = 71.95,
             .early_v = 1e9,
             .screen_rise = 3.5,
             PENTODE_GRID},
     .spread = {POWER_SPREAD},
     .source = FITTED " 250 V, 250 V, -14 V: 72 mA, 5 mA, 6 mS"},
    {.name = "KT66",
     .same_as = "",
     .kind = RB_PENTODE,
     .law = {.mu = 9.5,
             .exponent = 1.35,
             .kg = 1053.5,
             .kg2 = 14503,
             .kp = 30.7,
             .knee_v = 46.9,
             .early_v = 1e9,
             .screen_rise = 3.5,
             PENTODE_GRID},
     .spread = {POWER_SPREAD},
     .source = FITTED " 250 V, 250 V, -15 V: 85 mA, 6.3 mA, 7 mS"},
};

const rb_tube_type *rb_tube_types(size_t *n_types)
{
  *n_types = RB_LEN(types);
  return types;
}

static bool word_in(const char *list, const char *word)
{
  const size_t length = strlen(word);
  for (const char *at = list; length && (at = strstr(at, word)); at += length)
    if ((at == list || at[-1] == ' ') && (at[length] == '\0' || at[length] == ' '))
      return true;
  return false;
}

const rb_tube_type *rb_tube_type_named(const char *name)
{
  for (size_t i = 0; i < RB_LEN(types); i++)
    if (strcmp(types[i].name, name) == 0 || word_in(types[i].same_as, name))
      return &types[i];
  return NULL;
}

/// ln(1 + e^u), and in *slope its derivative.
static double soft_plus(double u, double *slope)
{
  const double z = exp(-fabs(u));
  *slope = u > 0 ? 1 / (1 + z) : z / (1 + z);
  return fmax(u, 0) + log1p(z);
}

/// 2·E^x of a triode or pentode and its derivatives by the grid and by `w_v`, the plate voltage of
/// a triode or the screen voltage of a pentode.
static double space_charge(const rb_tube_type *type, double grid_v, double w_v, double *by_grid,
                           double *by_w)
{
  const rb_tube_law *law = &type->law;
  *by_grid = *by_w = 0;
  if (!(w_v > 0))
    return 0;
  const double kvb = type->kind == RB_PENTODE ? 0 : law->kvb;
  const double s = sqrt(kvb + w_v * w_v);
  double slope;
  const double soft = soft_plus(law->kp * (1 / law->mu + grid_v / s), &slope);
  const double e = w_v / law->kp * soft;
  if (!(e > 0))
    return 0;
  const double current = 2 * pow(e, law->exponent);
  const double by_e = law->exponent * current / e;
  *by_grid = by_e * w_v * slope / s;
  *by_w = by_e * (soft / law->kp - w_v * w_v * slope * grid_v / (s * s * s));
  return current;
}

static void add_pentode(const rb_tube_law *law, double p, double p_by_grid, double p_by_screen,
                        double plate_v, rb_tube_point *at)
{
  const double arc = atan(plate_v / law->knee_v);
  const double arc_slope = law->knee_v / (law->knee_v * law->knee_v + plate_v * plate_v);
  const double tilt = 1 + plate_v / law->early_v;
  const double plate = arc * tilt / law->kg;
  const double screen = (1 + law->screen_rise * (1 - 2 / RB_PI * arc)) / law->kg2;
  at->plate_a = p * plate;
  at->plate_by_grid = p_by_grid * plate;
  at->plate_by_screen = p_by_screen * plate;
  at->plate_by_plate = p * (arc_slope * tilt + arc / law->early_v) / law->kg;
  at->screen_a = p * screen;
  at->screen_by_grid = p_by_grid * screen;
  at->screen_by_screen = p_by_screen * screen;
  at->screen_by_plate = -p * law->screen_rise * 2 / RB_PI * arc_slope / law->kg2;
}

static void limit_emission(double isat_a, rb_tube_point *at)
{
  const double total = at->plate_a + at->screen_a;
  if (!(isat_a > 0) || !(total > 0))
    return;
  const double r4 = pow(total / isat_a, 4);
  const double factor = pow(1 + r4, -0.25);
  const double slope = -factor * r4 / (1 + r4) / total; // d factor / d total
  const double by_grid = slope * (at->plate_by_grid + at->screen_by_grid);
  const double by_plate = slope * (at->plate_by_plate + at->screen_by_plate);
  const double by_screen = slope * (at->plate_by_screen + at->screen_by_screen);
  at->plate_by_grid = factor * at->plate_by_grid + by_grid * at->plate_a;
  at->plate_by_plate = factor * at->plate_by_plate + by_plate * at->plate_a;
  at->plate_by_screen = factor * at->plate_by_screen + by_screen * at->plate_a;
  at->screen_by_grid = factor * at->screen_by_grid + by_grid * at->screen_a;
  at->screen_by_plate = factor * at->screen_by_plate + by_plate * at->screen_a;
  at->screen_by_screen = factor * at->screen_by_screen + by_screen * at->screen_a;
  at->plate_a *= factor;
  at->screen_a *= factor;
}

rb_tube_point rb_tube_law_at(const rb_tube_type *type, double grid_v, double plate_v,
                             double screen_v, double isat_a)
{
  const rb_tube_law *law = &type->law;
  rb_tube_point at = {0};
  double by_grid, by_w;
  if (type->kind == RB_PENTODE) {
    const double p = space_charge(type, grid_v, screen_v, &by_grid, &by_w);
    add_pentode(law, p, by_grid, by_w, plate_v, &at);
  } else {
    const double p = space_charge(type, grid_v, plate_v, &by_grid, &by_w);
    at.plate_a = p / law->kg;
    at.plate_by_grid = by_grid / law->kg;
    at.plate_by_plate = by_w / law->kg;
  }
  limit_emission(isat_a, &at);
  const double x = fmax(grid_v - law->grid_start_v, 0);
  at.grid_a = law->grid_slope * x * x / (1 + x);
  at.grid_by_grid = law->grid_slope * x * (2 + x) / ((1 + x) * (1 + x));
  return at;
}
