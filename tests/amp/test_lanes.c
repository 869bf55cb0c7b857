// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/amp/lanes.h"
#include "rollbook/amp/solver.h"
#include "rollbook/amp/state.h"
#include "near.h"

#include <math.h>
#include <string.h>

static double first(rb_lane lane)
{
  for (int i = 1; i < 4; i++)
    assert_true(lane[i] == lane[0]);
  return lane[0];
}

static void functions_agree_with_the_c_library(void **state)
{
  (void)state;
  for (int i = 0; i <= 20000; i++) {
    const double t = i / 20000.0;
    const double x = -700 + 1400 * t;
    assert_near_relative(first(rb_lane_exp(rb_lane_all(x))), exp(x), 6e-16);
    assert_near_relative(first(rb_lane_log1p(rb_lane_all(t))), log1p(t), 6e-16);
    const double positive = exp(-300 + 600 * t);
    const double reference = log(positive);
    assert_near(first(rb_lane_log(rb_lane_all(positive))), reference,
                6e-16 * fmax(fabs(reference), 1e-3));
    const double y = (t - 0.5) * (i % 2 ? 4 : 4000);
    assert_near_relative(first(rb_lane_atan(rb_lane_all(y))), atan(y), 6e-16);
  }
}

static void functions_keep_their_accuracy_near_nothing(void **state)
{
  (void)state;
  for (double z = 1e-300; z < 1; z *= 1.7) {
    assert_near_relative(first(rb_lane_log1p(rb_lane_all(z))), log1p(z), 6e-16);
    assert_near_relative(first(rb_lane_atan(rb_lane_all(z))), atan(z), 6e-16);
    assert_near_relative(first(rb_lane_exp(rb_lane_all(-z))), exp(-z), 6e-16);
  }
}

/// Lanes of a stock amplifier's left channel.
static rb_amp *stock(rb_arena *arena, double isat_a)
{
  rb_amp_setup setup = rb_amp_setup_default();
  setup.still_supply = setup.silent = true;
  setup.tubes[RB_AMP_PUSH].section[0].isat_a = isat_a;
  setup.tubes[RB_AMP_DRIVER].section[0].isat_a = isat_a / 20;
  rb_amp *amp = NULL;
  rb_err err;
  assert_int_equal(rb_amp_new(&setup, 96000, arena, &amp, &err), RB_OK);
  return amp;
}

static rb_tube_point law_of(const rb_amp *amp, unsigned t, const double *v)
{
  const rb_tube_truth *tube = &amp->setup.tubes[rb_net_tubes[t].socket];
  const rb_section_truth *section = rb_section_of(&amp->setup, RB_LEFT, t);
  return rb_tube_law_at(tube->type, v[RB_PORT_GRID + t], v[rb_port_plate(t)], v[RB_PORT_WORK + t],
                        section->isat_a);
}

static void check_point(const rb_amp *amp, const double *v)
{
  rb_currents at;
  memset(&at, 0, sizeof at);
  rb_lanes_at(&amp->channel[0].solver.lanes, v, &at);
  for (unsigned t = 0; t < RB_NET_TUBES; t++) {
    const rb_tube_point law = law_of(amp, t, v);
    const double tiny = 1e-15;
    assert_near(at.plate[t], law.plate_a, tiny + 1e-11 * fabs(law.plate_a));
    assert_near(at.plate_by_grid[t], law.plate_by_grid, tiny + 1e-11 * fabs(law.plate_by_grid));
    if (at.grids_live) {
      assert_near(at.grid[t], law.grid_a, tiny);
      assert_near(at.grid_by_grid[t], law.grid_by_grid, tiny);
    } else {
      assert_near(law.grid_a, 0, 0);
    }
    if (t < RB_NET_TRIODES) {
      assert_near(at.plate_by_work[t], law.plate_by_plate, tiny + 1e-9 * fabs(law.plate_by_plate));
      continue;
    }
    assert_near(at.screen[t], law.screen_a, tiny + 1e-11 * fabs(law.screen_a));
    assert_near(at.plate_by_work[t], law.plate_by_screen, 1e-12);
    assert_near(at.plate_by_plate[t], law.plate_by_plate, 1e-12);
    assert_near(at.screen_by_grid[t], law.screen_by_grid, 1e-12);
    assert_near(at.screen_by_work[t], law.screen_by_screen, 1e-12);
    assert_near(at.screen_by_plate[t], law.screen_by_plate, 1e-12);
  }
}

static void six_tubes_at_once_agree_with_one_at_a_time(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  for (int limited = 0; limited < 2; limited++) {
    rb_amp *amp = stock(arena, limited ? 0.15 : 0);
    rb_random random = rb_random_seeded(42);
    for (int i = 0; i < 20000; i++) {
      double v[RB_PORTS] = {0};
      for (unsigned t = 0; t < RB_NET_TUBES; t++) {
        v[RB_PORT_GRID + t] = (t < RB_NET_TRIODES ? -15 : -90) * rb_random_uniform(&random) + 5;
        v[rb_port_plate(t)] = 850 * rb_random_uniform(&random) - 20;
        if (t >= RB_NET_TRIODES)
          v[RB_PORT_WORK + t] = 600 * rb_random_uniform(&random) + 1;
      }
      check_point(amp, v);
    }
  }
  rb_arena_free(arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(functions_agree_with_the_c_library),
      cmocka_unit_test(functions_keep_their_accuracy_near_nothing),
      cmocka_unit_test(six_tubes_at_once_agree_with_one_at_a_time),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
