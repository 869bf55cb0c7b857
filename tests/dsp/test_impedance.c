// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/attributes.h"
#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/impedance.h"

#include <math.h>

// Voltage division: V = V0·R/(R + Rs), rounded to nine digits.
static void output_impedance_of_worked_dividers(void **state)
{
  (void)state;
  static const struct {
    double r1_ohm, v1, r2_ohm, v2, source_ohm, damping;
  } CASES[] = {{16, 9.937888199, 8, 9.876543210, 0.1, 80},
               {8, 8.000000000, 4, 6.666666667, 2, 4},
               {8, 9.950248756, 4, 9.900990099, 0.04, 200},
               {300, 1.993355482, 32, 1.939393939, 1, 8}};
  for (size_t i = 0; i < RB_LEN(CASES); i++) {
    const rb_two_loads loads = {.voltage = {CASES[i].v1, CASES[i].v2},
                                .load_ohm = {CASES[i].r1_ohm, CASES[i].r2_ohm}};
    rb_output_impedance result;
    assert_int_equal(rb_output_impedance_from_loads(&loads, &result), RB_OK);
    assert_near_relative(creal(result.impedance_ohm), CASES[i].source_ohm, 1e-6);
    assert_near_relative(rb_damping_factor(8, result.impedance_ohm), CASES[i].damping, 1e-6);
    assert_near(result.uncertainty_ohm, 0, 0);
  }
}

static void a_complex_source_is_recovered(void **state)
{
  (void)state;
  const double complex source = CMPLX(1.3, 0.4), open = 5 * cexp(CMPLX(0, 0.7));
  rb_two_loads loads = {.load_ohm = {8, 4}};
  for (int i = 0; i < 2; i++)
    loads.voltage[i] = open * loads.load_ohm[i] / (loads.load_ohm[i] + source);
  rb_output_impedance result;
  assert_int_equal(rb_output_impedance_from_loads(&loads, &result), RB_OK);
  assert_near(creal(result.impedance_ohm), 1.3, 1e-12);
  assert_near(cimag(result.impedance_ohm), 0.4, 1e-12);
}

static void equal_or_absent_loads_are_refused(void **state)
{
  (void)state;
  rb_output_impedance result;
  const rb_two_loads same = {.voltage = {1, 1.1}, .load_ohm = {8, 8}};
  assert_int_equal(rb_output_impedance_from_loads(&same, &result), RB_BAD_ARG);
  const rb_two_loads none = {.voltage = {1, 1.1}, .load_ohm = {8, 0}};
  assert_int_equal(rb_output_impedance_from_loads(&none, &result), RB_BAD_ARG);
  assert_near(rb_damping_factor(8, 0), 1e6, 0);
}

static void the_uncertainty_is_what_a_monte_carlo_run_spreads(void **state)
{
  (void)state;
  const rb_two_loads loads = {.voltage = {8, 20.0 / 3},
                              .load_ohm = {8, 4},
                              .voltage_relative = {2e-4, 3e-4},
                              .load_relative = {2e-3, 3e-3}};
  rb_output_impedance expected;
  assert_int_equal(rb_output_impedance_from_loads(&loads, &expected), RB_OK);
  rb_random random = rb_random_seeded(1);
  double sum = 0, squares = 0;
  const int runs = 20000;
  for (int run = 0; run < runs; run++) {
    rb_two_loads drawn = loads;
    for (int i = 0; i < 2; i++) {
      drawn.voltage[i] *= 1 + loads.voltage_relative[i] * rb_random_normal(&random);
      drawn.load_ohm[i] *= 1 + loads.load_relative[i] * rb_random_normal(&random);
    }
    rb_output_impedance result;
    assert_int_equal(rb_output_impedance_from_loads(&drawn, &result), RB_OK);
    sum += creal(result.impedance_ohm) / runs;
    squares += pow(creal(result.impedance_ohm), 2) / runs;
  }
  assert_near_relative(sqrt(squares - sum * sum), expected.uncertainty_ohm, 0.03);
  assert_true(expected.load_uncertainty_ohm < expected.uncertainty_ohm);
}

// R. H. Small, J. Audio Eng. Soc. 20(10), 1972: fc = fs·√(1 + Vas/Vb), Qs likewise. The example's
// figures were computed from these formulas with SciPy.
static const rb_loudspeaker SPEAKER = {.coil_ohm = 5.6,
                                       .coil_h = 0.5e-3,
                                       .resonance_hz = 32,
                                       .q_mechanical = 4,
                                       .q_electrical = 0.42,
                                       .vas_l = 50,
                                       .box_l = 25};

static void a_closed_box_has_the_resonance_and_q_of_smalls_formulas(void **state)
{
  (void)state;
  rb_closed_box box;
  assert_int_equal(rb_closed_box_of(&SPEAKER, 0, &box), RB_OK);
  assert_near(box.resonance_hz, 55.4, 0.05);
  assert_near(box.q_total, 0.658, 0.0005);
  assert_near(box.peak_ohm, 59, 0.1);
  static const double SEEN[][2] = {{1, 0.763}, {2, 0.864}, {3, 0.962}};
  for (size_t i = 0; i < RB_LEN(SEEN); i++) {
    assert_int_equal(rb_closed_box_of(&SPEAKER, SEEN[i][0], &box), RB_OK);
    assert_near(box.q_total, SEEN[i][1], 0.0006);
  }
  rb_loudspeaker bad = SPEAKER;
  bad.coil_ohm = 0;
  assert_int_equal(rb_closed_box_of(&bad, 0, &box), RB_BAD_ARG);
}

static void a_loudspeaker_bends_the_response_by_the_worked_amounts(void **state)
{
  (void)state;
  static const double AT_HZ[] = {20, 40, 55.4256, 120, 1000, 5000, 10000};
  static const double CHANGE_DB[3][7] = {{0.22, 0.93, 1.16, 0.35, 0.12, 1.12, 1.26},
                                         {0.37, 1.70, 2.16, 0.61, 0.20, 2.06, 2.34},
                                         {0.48, 2.33, 3.04, 0.79, 0.25, 2.85, 3.29}};
  for (int source = 0; source < 3; source++) {
    const double source_ohm = source + 1;
    const double at_200_db = rb_loading_db(rb_loudspeaker_impedance(&SPEAKER, 200), source_ohm, 8);
    for (size_t i = 0; i < RB_LEN(AT_HZ); i++)
      assert_near(rb_loading_db(rb_loudspeaker_impedance(&SPEAKER, AT_HZ[i]), source_ohm, 8) -
                      at_200_db,
                  CHANGE_DB[source][i], 0.006);
  }
  // 2 ohm into 6 and 30 ohm: 20·log10((30/32)/(6/8)).
  assert_near(rb_loading_db(30, 2, 8) - rb_loading_db(6, 2, 8), 1.9382, 1e-4);
  assert_near(rb_loading_db(8, 2, 8), 0, 1e-12);
}

static void an_impedance_curve_is_read_between_its_points(void **state)
{
  (void)state;
  static const double hz[] = {20, 200, 2000}, ohm[] = {6, 60, 6}, deg[] = {0, 30, -30};
  const double complex at = rb_impedance_at(hz, ohm, deg, 3, 20 * sqrt(10));
  assert_near(cabs(at), 6 * sqrt(10), 1e-9);
  assert_near(rb_deg_from_rad(carg(at)), 15, 1e-9);
  assert_near(cabs(rb_impedance_at(hz, ohm, NULL, 3, 5)), 6, 1e-12);
  assert_near(cabs(rb_impedance_at(hz, ohm, NULL, 3, 50000)), 6, 1e-12);
  assert_near(cabs(rb_impedance_at(hz, ohm, NULL, 3, 200)), 60, 1e-9);
  assert_near(cabs(rb_impedance_at(hz, ohm, NULL, 1, 200)), 6, 1e-9);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(output_impedance_of_worked_dividers),
      cmocka_unit_test(a_complex_source_is_recovered),
      cmocka_unit_test(equal_or_absent_loads_are_refused),
      cmocka_unit_test(the_uncertainty_is_what_a_monte_carlo_run_spreads),
      cmocka_unit_test(a_closed_box_has_the_resonance_and_q_of_smalls_formulas),
      cmocka_unit_test(a_loudspeaker_bends_the_response_by_the_worked_amounts),
      cmocka_unit_test(an_impedance_curve_is_read_between_its_points),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
