// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/tube.h"
#include "near.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

typedef struct sheet_point {
  const char *type;
  double plate_v, screen_v, grid_v;
  double plate_a, screen_a, gm_s, rp_ohm; ///< 0: not printed.
  double within;                          ///< Relative.
  const char *source;
} sheet_point;

// What the makers print, and how near the published law comes to it.
static const sheet_point sheet[] = {
    {"6SL7", 250, 0, -2, 2.3e-3, 0, 1.6e-3, 44e3, 0.10, "RCA 1954, Tung-Sol 1959 sheets"},
    {"6SN7", 250, 0, -8, 9e-3, 0, 2.6e-3, 7.7e3, 0.06, "maker's sheet, class A point"},
    {"12AX7", 250, 0, -2, 1.2e-3, 0, 1.6e-3, 62.5e3, 0.12, "four makers' sheets agree"},
    {"12AX7", 100, 0, -1, 0.5e-3, 0, 1.25e-3, 80e3, 0.12, "four makers' sheets agree"},
    {"12AU7", 250, 0, -8.5, 10.5e-3, 0, 2.2e-3, 7.7e3, 0.03, "maker's sheet"},
    {"12AT7", 250, 0, -2, 10e-3, 0, 5.5e-3, 10.9e3, 0.06, "maker's sheet"},
    {"EL34", 250, 250, -12.2, 100e-3, 15e-3, 12.3e-3, 0, 0.08,
     "100 mA and 15 mA: maker's sheet; 11 to 12.5 mS by year of the sheet (from memory)"},
    {"KT88", 250, 250, -15, 140e-3, 3e-3, 11.5e-3, 0, 0.01, "from memory of the sheet"},
    {"6550", 250, 250, -14, 140e-3, 12e-3, 11e-3, 0, 0.06, "from memory of the sheet"},
    {"6L6GC", 250, 250, -14, 72e-3, 5e-3, 6e-3, 0, 0.06, "maker's sheet"},
    {"KT66", 250, 250, -15, 85e-3, 6.3e-3, 7e-3, 0, 0.01, "maker's sheet"},
};

static void laws_meet_the_data_sheets(void **state)
{
  (void)state;
  for (size_t i = 0; i < RB_LEN(sheet); i++) {
    const sheet_point *p = &sheet[i];
    const rb_tube_point at =
        rb_tube_law_at(rb_tube_type_named(p->type), p->grid_v, p->plate_v, p->screen_v, 0);
    print_message("%-6s %5.0f V %6.1f V: %7.3f mA (%g), screen %.2f mA, %.2f mS, %s\n", p->type,
                  p->plate_v, p->grid_v, 1e3 * at.plate_a, 1e3 * p->plate_a, 1e3 * at.screen_a,
                  1e3 * at.plate_by_grid, p->source);
    assert_near_relative(at.plate_a, p->plate_a, p->within);
    assert_near_relative(at.plate_by_grid, p->gm_s, p->within);
    if (p->screen_a > 0)
      assert_near_relative(at.screen_a, p->screen_a, 0.05);
    if (p->rp_ohm > 0)
      assert_near_relative(1 / at.plate_by_plate, p->rp_ohm, p->within);
  }
}

/// Each slope against the difference of the currents over a small step of its voltage.
static void check_slopes(const rb_tube_type *type, const double volts[3], double isat_a)
{
  rb_tube_point up[3], down[3];
  const double step = 1e-4;
  for (int k = 0; k < 3; k++) {
    double high[3], low[3];
    memcpy(high, volts, sizeof high);
    memcpy(low, volts, sizeof low);
    high[k] += step;
    low[k] -= step;
    up[k] = rb_tube_law_at(type, high[0], high[1], high[2], isat_a);
    down[k] = rb_tube_law_at(type, low[0], low[1], low[2], isat_a);
  }
  const rb_tube_point at = rb_tube_law_at(type, volts[0], volts[1], volts[2], isat_a);
#define SLOPE(of, k) ((up[k].of - down[k].of) / (2 * step))
  const double small = 1e-9; // rounding of 0.1 A over 2e-4 V, and the law's curvature
  assert_near(at.plate_by_grid, SLOPE(plate_a, 0), small + 1e-6 * at.plate_by_grid);
  assert_near(at.plate_by_plate, SLOPE(plate_a, 1), small);
  assert_near(at.plate_by_screen, SLOPE(plate_a, 2), small);
  assert_near(at.screen_by_grid, SLOPE(screen_a, 0), small + 1e-6 * at.screen_by_grid);
  assert_near(at.screen_by_plate, SLOPE(screen_a, 1), small);
  assert_near(at.screen_by_screen, SLOPE(screen_a, 2), small);
  assert_near(at.grid_by_grid, SLOPE(grid_a, 0), small);
#undef SLOPE
}

static void slopes_are_the_derivatives_of_the_currents(void **state)
{
  (void)state;
  size_t n_types;
  const rb_tube_type *types = rb_tube_types(&n_types);
  for (size_t i = 0; i < n_types; i++)
    for (int g = 0; g <= 8; g++)
      for (int p = 1; p <= 7; p++) {
        const double cutoff_v = -300 / types[i].law.mu;
        const double volts[3] = {1.23 + cutoff_v * g / 8.0, 60.0 * p, 250};
        check_slopes(&types[i], volts, 0);
        check_slopes(&types[i], volts, 0.08);
      }
}

static void the_cathode_gives_no_more_than_its_emission(void **state)
{
  (void)state;
  const rb_tube_type *type = rb_tube_type_named("EL34");
  const rb_tube_point free = rb_tube_law_at(type, 0, 250, 250, 0);
  const rb_tube_point limited = rb_tube_law_at(type, 0, 250, 250, 0.15);
  assert_true(free.plate_a + free.screen_a > 0.2);
  assert_at_most(limited.plate_a + limited.screen_a, 0.15);
  const double total = free.plate_a + free.screen_a, r = total / 0.15;
  assert_near_relative(limited.plate_a + limited.screen_a, total / pow(1 + r * r * r * r, 0.25),
                       1e-12);
}

static rb_status truth_of(const char *type, const char *label, const char *text, uint64_t seed,
                          rb_tube_truth *truth, rb_err *err)
{
  rb_tube tube = {0};
  rb_text_copy(tube.type, sizeof tube.type, type);
  rb_text_copy(tube.label, sizeof tube.label, label);
  rb_text_copy(tube.truth, sizeof tube.truth, text);
  return rb_tube_truth_of(&tube, seed, truth, err);
}

static void a_truth_text_sets_both_sections_or_one(void **state)
{
  (void)state;
  rb_tube_truth truth;
  rb_err err;
  assert_int_equal(
      truth_of("6SN7GT", "x", " gm = 0.92 ;mu=1.01;heater_leak=2e7;a.gm=1.05;;", 1, &truth, &err),
      RB_OK);
  assert_string_equal(truth.type->name, "6SN7");
  assert_near(truth.section[0].gm, 1.05, 0);
  assert_near(truth.section[1].gm, 0.92, 0);
  assert_near(truth.section[1].mu, 1.01, 0);
  assert_near(truth.section[0].heater_leak_ohm, 2e7, 0);
  assert_int_equal(truth_of("EL34", "x", "coupling_leak=5e6", 1, &truth, &err), RB_OK);
  assert_near(truth.coupling_leak_ohm, 5e6, 0);
}

static void a_wrong_truth_text_says_what_is_wrong(void **state)
{
  (void)state;
  static const struct {
    const char *type, *text, *says;
  } cases[] = {
      {"EL34", "gmm=1", "'gmm'"},
      {"EL34", "gmm=1", "heater_leak"},
      {"EL34", "b.gm=1", "no second"},
      {"EL34", "gm", "KEY=NUMBER"},
      {"EL34", "gm=abc", "KEY=NUMBER"},
      {"EL34", "gm=-1", "range"},
      {"EL34", "gm=nan", "KEY=NUMBER"},
      {"6SN7", "a.coupling_leak=1", "a.coupling_leak"},
      {"BLA7", "gm=1", "no tube type"},
      {"BLA7", "gm=1", "6SN7"},
      {"EL34", "=1", "''"},
      {"EL34", "mu=1e400", "KEY=NUMBER"},
      {"EL34", "coupling_leak=-3", "negative"},
  };
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_tube_truth truth;
    rb_err err = {.message = ""};
    assert_int_not_equal(truth_of(cases[i].type, "x", cases[i].text, 1, &truth, &err), RB_OK);
    if (!strstr(err.message, cases[i].says))
      fail_msg("'%s' should say '%s'", err.message, cases[i].says);
  }
}

static void the_keys_are_listed_with_units(void **state)
{
  (void)state;
  rb_text text = {0};
  rb_tube_truth_keys(&text);
  assert_non_null(strstr(text.bytes, "heater_leak"));
  assert_non_null(strstr(text.bytes, "ohm"));
  rb_text_free(&text);
}

static void a_tube_without_truth_is_drawn_from_its_label(void **state)
{
  (void)state;
  rb_tube_truth a, again, other_label, other_seed;
  rb_err err;
  assert_int_equal(truth_of("6SL7", "A12", "", 7, &a, &err), RB_OK);
  assert_int_equal(truth_of("6SL7GT", "A12", "", 7, &again, &err), RB_OK);
  assert_int_equal(truth_of("6SL7", "A13", "", 7, &other_label, &err), RB_OK);
  assert_int_equal(truth_of("6SL7", "A12", "", 8, &other_seed, &err), RB_OK);
  assert_memory_equal(&a, &again, sizeof a);
  assert_true(a.section[0].gm != other_label.section[0].gm);
  assert_true(a.section[0].gm != other_seed.section[0].gm);
}

static void new_tubes_scatter_as_the_table_says(void **state)
{
  (void)state;
  enum { N = 4000 };
  size_t n_types;
  const rb_tube_type *types = rb_tube_types(&n_types);
  for (size_t t = 0; t < n_types; t++) {
    double sum = 0, squares = 0, products = 0;
    for (int i = 0; i < N; i++) {
      char label[16];
      snprintf(label, sizeof label, "t%d", i);
      rb_tube_truth truth;
      assert_int_equal(truth_of(types[t].name, label, "", 3, &truth, NULL), RB_OK);
      const double x = truth.section[0].gm - 1, y = truth.section[1].gm - 1;
      sum += x;
      squares += x * x;
      products += x * y;
    }
    const double sd = types[t].spread.gm;
    assert_near(sum / N, 0, 4 * sd / sqrt(N));
    assert_near_relative(sqrt(squares / N), sd, 4 / sqrt(2.0 * N));
    if (types[t].kind == RB_TWIN_TRIODE)
      assert_near(products / N / (sd * sd), types[t].spread.sections, 0.06);
  }
}

static void reseating_changes_a_tube_a_little(void **state)
{
  (void)state;
  rb_tube_truth truth = rb_tube_bogey(rb_tube_type_named("EL34")), same = truth;
  rb_tube_reseat(&truth, 5);
  rb_tube_reseat(&same, 5);
  assert_memory_equal(&truth, &same, sizeof truth);
  assert_true(truth.section[0].gm != 1);
  assert_near(truth.section[0].gm, 1, 0.015);
  assert_near(truth.section[0].cutoff_v, 0, 0.075);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(laws_meet_the_data_sheets),
      cmocka_unit_test(slopes_are_the_derivatives_of_the_currents),
      cmocka_unit_test(the_cathode_gives_no_more_than_its_emission),
      cmocka_unit_test(a_truth_text_sets_both_sections_or_one),
      cmocka_unit_test(a_wrong_truth_text_says_what_is_wrong),
      cmocka_unit_test(the_keys_are_listed_with_units),
      cmocka_unit_test(a_tube_without_truth_is_drawn_from_its_label),
      cmocka_unit_test(new_tubes_scatter_as_the_table_says),
      cmocka_unit_test(reseating_changes_a_tube_a_little),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
