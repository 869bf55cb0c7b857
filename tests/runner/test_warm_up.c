// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "../../src/runner/warm_up.h"

#include <math.h>

/// The gate by itself: gains as probes would have shown them.

static void add_probe(warm_up *gate, double at_min, double left_db, double right_db)
{
  gate->at_min[gate->n] = at_min;
  gate->gain_db[0][gate->n] = left_db;
  gate->gain_db[1][gate->n] = right_db;
  gate->n++;
}

static void the_drift_is_the_slope_of_the_last_minute_and_a_half(void **state)
{
  (void)state;
  static warm_up gate;
  gate = (warm_up){.spread_db = {1e-4, 1e-4}};
  for (int i = 0; i < 8; i++) // a steep rise long ago
    add_probe(&gate, 0.25 * i, 0.5 * i, 0);
  for (int i = 0; i < 7; i++)
    add_probe(&gate, 5 + 0.25 * i, 10 + 0.03 * 0.25 * i, -0.01 * 0.25 * i);
  const drift left = warm_up_drift(&gate, 0), right = warm_up_drift(&gate, 1);
  assert_true(left.known && right.known);
  assert_near(left.slope_db_per_min, 0.03, 1e-9);
  assert_near(right.slope_db_per_min, -0.01, 1e-9);
  // σ/√Σ(t − t̄)², seven probes a quarter of a minute apart: Σ = 28/16.
  assert_near(left.uncertainty_db_per_min, 1e-4 / sqrt(28.0 / 16), 1e-9);
}

static void it_opens_only_when_both_channels_hold_still(void **state)
{
  (void)state;
  static const struct {
    double left, right, spread_db;
    bool open;
  } rows[] = {
      {0.0, 0.0, 1e-5, true},     {0.019, -0.019, 1e-5, true}, {0.021, 0.0, 1e-5, false},
      {0.0, -0.021, 1e-5, false}, {0.015, 0.0, 0.01, false}, // too noisy to tell
  };
  static warm_up gate;
  for (size_t row = 0; row < sizeof rows / sizeof rows[0]; row++) {
    gate = (warm_up){.spread_db = {rows[row].spread_db, rows[row].spread_db}};
    for (int i = 0; i < 4; i++)
      add_probe(&gate, 20 + 0.25 * i, rows[row].left * 0.25 * i, rows[row].right * 0.25 * i);
    assert_int_equal(warm_up_settled(&gate), rows[row].open);
  }
}

static void two_probes_or_less_than_half_a_minute_say_nothing(void **state)
{
  (void)state;
  static warm_up gate;
  gate = (warm_up){.n = 0};
  assert_false(warm_up_settled(&gate));
  add_probe(&gate, 20, 0, 0);
  add_probe(&gate, 20.6, 0, 0);
  assert_false(warm_up_settled(&gate));
  gate = (warm_up){.n = 0};
  for (int i = 0; i < 5; i++)
    add_probe(&gate, 20 + 0.1 * i, 0, 0);
  assert_false(warm_up_settled(&gate));
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_drift_is_the_slope_of_the_last_minute_and_a_half),
      cmocka_unit_test(it_opens_only_when_both_channels_hold_still),
      cmocka_unit_test(two_probes_or_less_than_half_a_minute_say_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
