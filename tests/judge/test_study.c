// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"
#include "shelf_fixture.h"

#include "rollbook/base/random.h"
#include "rollbook/judge/study.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void must(rb_status status, const rb_err *err)
{
  if (status != RB_OK)
    fail_msg("%s", err->message);
}

static void measure(fixture *shelf, int64_t lineup_id, double hour, double treble_db)
{
  int64_t sitting = shelf_sitting(shelf->book, lineup_id, hour);
  for (int i = 0; i < 2; i++) {
    rb_results results = rb_results_in(shelf->arena);
    double wiggle = 0.002 * (i - 0.5);
    shelf_reading(&results, "treble_band", RB_LEFT, "sweep 1 W", "dB", treble_db + wiggle, true);
    shelf_reading(&results, "treble_band", RB_RIGHT, "sweep 1 W", "dB", treble_db - wiggle, true);
    shelf_pass(shelf->book, sitting, 1200 + 60 * i, &results, NULL, 0);
  }
}

static int64_t another_lineup(fixture *shelf, int number)
{
  rb_lineup lineup = shelf->before;
  rb_err err = {0};
  snprintf(lineup.name, sizeof lineup.name, "line-up <%d>", number);
  must(rb_book_add_lineup(shelf->book, &lineup, &err), &err);
  return lineup.id;
}

static void hear(fixture *shelf, int64_t lineup_id, int64_t against_id, int score)
{
  rb_err err = {0};
  rb_impression impression = {.lineup_id = lineup_id, .against_id = against_id, .score = score};
  strcpy(impression.attribute, "treble_extension");
  must(rb_book_add_impression(shelf->book, &impression, &err), &err);
}

static rb_study study_of(fixture *shelf, bool with_after)
{
  static rb_study_data data;
  rb_study study;
  rb_err err = {0};
  must(rb_study_load(shelf->book, "Workshop 30", shelf->arena, &data, &err), &err);
  must(rb_study_heard(&data, with_after, 1, shelf->arena, &study, &err), &err);
  return study;
}

// Line-ups heard against the first one, brighter by their number, and `treble_db` of each.
static void fill(fixture *shelf, const int *scores, const double *treble_db, int n)
{
  measure(shelf, shelf->before.id, 0, 0);
  for (int i = 0; i < n; i++) {
    int64_t id = another_lineup(shelf, i);
    measure(shelf, id, i + 1, treble_db[i]);
    hear(shelf, id, shelf->before.id, scores[i]);
  }
}

static void under_six_lineups_there_are_points_and_no_p(void **state)
{
  fixture *shelf = *state;
  fill(shelf, (int[]){1, 2, 3, -1}, (double[]){0.1, 0.2, 0.3, -0.1}, 4);
  rb_study study = study_of(shelf, false);
  assert_int_equal(study.n_pairs, 1);
  assert_int_equal(study.n_tested, 0);
  assert_int_equal(study.pairs[0].n_points, 5);
  assert_false(study.pairs[0].tested);
  assert_near(study.pairs[0].p, 1, 0);
  assert_near(study.pairs[0].points[0].score, 0, 1e-12);
  assert_near(study.pairs[0].points[3].reading, 0.3, 1e-6);
}

// n = 6 without ties: ρ = 1 has two of 720 permutations, p = 0.002778 (Zar, JASA 67, 1972, table;
// by counting).
static void six_lineups_in_perfect_order_have_the_exact_p(void **state)
{
  fixture *shelf = *state;
  fill(shelf, (int[]){1, 2, 3, -1, -2}, (double[]){0.1, 0.2, 0.3, -0.1, -0.2}, 5);
  rb_study study = study_of(shelf, false);
  const rb_study_pair *pair = &study.pairs[0];
  assert_int_equal(study.n_tested, 1);
  assert_int_equal(pair->n_points, 6);
  assert_near(pair->rho, 1, 1e-12);
  assert_near(pair->p, 2.0 / 720, 1e-12);
  assert_near(pair->p_holm, 2.0 / 720, 1e-12);
  assert_true(pair->exact && pair->as_expected);
  assert_int_equal(pair->quantity.channel, RB_BOTH);
}

static void what_was_heard_after_the_numbers_is_left_out_unless_asked_for(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  fill(shelf, (int[]){1, 2, 3, -1, -2}, (double[]){0.1, 0.2, 0.3, -0.1, -0.2}, 5);
  must(rb_book_mark_shown(shelf->book, shelf->before.id, &err), &err);
  int64_t late = another_lineup(shelf, 9);
  measure(shelf, late, 9, -0.5);
  hear(shelf, late, shelf->before.id, 3);
  rb_study study = study_of(shelf, false);
  assert_int_equal(study.n_after, 1);
  assert_int_equal(study.pairs[0].n_points, 6);
  study = study_of(shelf, true);
  assert_int_equal(study.n_after, 0);
  assert_int_equal(study.pairs[0].n_points, 7);
  assert_true(study.pairs[0].rho < 0.9);
}

static void lineups_never_heard_against_the_others_are_counted(void **state)
{
  fixture *shelf = *state;
  fill(shelf, (int[]){1, 2, 3, -1, -2}, (double[]){0.1, 0.2, 0.3, -0.1, -0.2}, 5);
  int64_t one = another_lineup(shelf, 20), other = another_lineup(shelf, 21);
  measure(shelf, one, 20, 1);
  measure(shelf, other, 21, 2);
  hear(shelf, one, other, -1);
  rb_study study = study_of(shelf, false);
  assert_int_equal(study.n_unlinked, 1);
  assert_int_equal(study.pairs[0].n_points, 6);
}

// ---- which socket -------------------------------------------------------------------------------

static const rb_study_sockets *fits_of(fixture *shelf, const char *key, size_t *n)
{
  static rb_study_data data;
  rb_study_sockets *fits = NULL;
  rb_err err = {0};
  must(rb_study_load(shelf->book, "Workshop 30", shelf->arena, &data, &err), &err);
  must(rb_study_which_socket(&data, key, NULL, shelf->arena, &fits, n, &err), &err);
  return fits;
}

// A full factorial of two drivers × two inverters, each twice, with the effects +0.3 dB (driver),
// −0.2 dB (inverter) and ±0.001 between the two sittings of each. By hand: least squares in a
// balanced design are differences of means.
static void a_balanced_factorial_gives_differences_of_means(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  rb_tube drivers[2], inverters[2];
  const char *labels[] = {"driver", "driver 2", "inverter 1", "inverter 2"};
  rb_tube second = {.label = "driver 2", .type = "6SN7"};
  must(rb_book_add_tube(shelf->book, &second, &err), &err);
  for (int i = 0; i < 2; i++) {
    must(rb_book_tube(shelf->book, labels[i], &drivers[i], &err), &err);
    must(rb_book_tube(shelf->book, labels[2 + i], &inverters[i], &err), &err);
  }
  for (int i = 0; i < 8; i++) {
    int d = i / 2 % 2, v = i / 4;
    rb_lineup lineup = shelf->before;
    snprintf(lineup.name, sizeof lineup.name, "factorial %d", i);
    for (size_t k = 0; k < lineup.n_fittings; k++) {
      if (strcmp(lineup.fittings[k].socket, "V1") == 0)
        lineup.fittings[k].tube = drivers[d];
      if (strcmp(lineup.fittings[k].socket, "V2") == 0)
        lineup.fittings[k].tube = inverters[v];
    }
    must(rb_book_add_lineup(shelf->book, &lineup, &err), &err);
    measure(shelf, lineup.id, i, 1 + 0.3 * d - 0.2 * v + (i % 2 ? 0.001 : -0.001));
  }
  size_t n = 0;
  const rb_study_sockets *fits = fits_of(shelf, "treble_band", &n);
  assert_int_equal(n, 2); // left and right
  const rb_study_sockets *fit = &fits[0];
  assert_int_equal(fit->n_places, 2);
  assert_int_equal(fit->n_rows, 8);
  assert_int_equal(fit->n_tubes, 4);
  assert_string_equal(fit->tubes[1].tube, "driver 2");
  assert_near(fit->tubes[1].fit.effect, 0.3, 1e-6);
  assert_string_equal(fit->tubes[3].tube, "inverter 2");
  assert_near(fit->tubes[3].fit.effect, -0.2, 1e-6);
  assert_true(fit->tubes[1].fit.interval[0] < 0.3 && fit->tubes[1].fit.interval[1] > 0.3);
  // Sums of squares 8·0.15² and 8·0.1², shares 0.18/0.26 and 0.08/0.26 but for 8·0.001².
  assert_near(fit->shares[0], 0.18 / 0.26, 1e-3);
  assert_near(fit->shares[1], 0.08 / 0.26, 1e-3);
  assert_near(fit->fit.residual_share, 0, 1e-3);
}

static void tubes_that_always_moved_together_cannot_be_told_apart(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  rb_tube drivers[2] = {{.label = "driver 2", .type = "6SN7"}}, other;
  must(rb_book_add_tube(shelf->book, &drivers[0], &err), &err);
  must(rb_book_tube(shelf->book, "inverter 2", &other, &err), &err);
  rb_lineup lineup = shelf->before;
  strcpy(lineup.name, "both changed");
  for (size_t k = 0; k < lineup.n_fittings; k++) {
    if (strcmp(lineup.fittings[k].socket, "V1") == 0)
      lineup.fittings[k].tube = drivers[0];
    if (strcmp(lineup.fittings[k].socket, "V2") == 0)
      lineup.fittings[k].tube = other;
  }
  must(rb_book_add_lineup(shelf->book, &lineup, &err), &err);
  for (int i = 0; i < 4; i++)
    measure(shelf, i % 2 ? lineup.id : shelf->before.id, i, i % 2 ? 1.5 : 1);
  size_t n = 0;
  const rb_study_sockets *fits = fits_of(shelf, "treble_band", &n);
  assert_int_equal(fits[0].n_tubes, 4);
  assert_false(fits[0].tubes[1].fit.separable);
  assert_int_equal(fits[0].tubes[1].fit.mixed_with, 1u << 1);
  // Either single exchange tells them apart.
  assert_true(fits[0].n_next >= 1);
  assert_int_equal(fits[0].next[0].n_fittings, 2);
}

// The two tubes of an output pair are exchanged together and act as one place.
static void an_output_pair_that_changes_together_is_one_place(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  rb_tube pair[2] = {{.label = "push 2", .type = "EL34"}, {.label = "pull 2", .type = "EL34"}};
  const char *sockets[] = {"V3", "V4"};
  rb_lineup lineup = shelf->before;
  strcpy(lineup.name, "other pair");
  for (int i = 0; i < 2; i++) {
    must(rb_book_add_tube(shelf->book, &pair[i], &err), &err);
    for (size_t k = 0; k < lineup.n_fittings; k++)
      if (strcmp(lineup.fittings[k].socket, sockets[i]) == 0)
        lineup.fittings[k].tube = pair[i];
  }
  must(rb_book_add_lineup(shelf->book, &lineup, &err), &err);
  for (int i = 0; i < 4; i++)
    measure(shelf, i % 2 ? lineup.id : shelf->before.id, i, (i % 2 ? 1.5 : 1) + 0.01 * (i / 2));
  size_t n = 0;
  const rb_study_sockets *fits = fits_of(shelf, "treble_band", &n);
  assert_int_equal(fits[0].n_places, 1);
  assert_string_equal(fits[0].places[0].name, "V3 + V4");
  assert_string_equal(fits[0].tubes[1].tube, "push 2 + pull 2");
  assert_true(fits[0].tubes[1].fit.separable);
  assert_near(fits[0].tubes[1].fit.effect, 0.5, 1e-6);
}

static void an_attribute_has_a_socket_model_too(void **state)
{
  fixture *shelf = *state;
  measure(shelf, shelf->before.id, 0, 0);
  hear(shelf, shelf->after.id, shelf->before.id, 2);
  hear(shelf, shelf->after.id, shelf->before.id, 1);
  size_t n = 0;
  const rb_study_sockets *fits = fits_of(shelf, "treble_extension", &n);
  assert_int_equal(n, 1);
  assert_int_equal(fits[0].n_tubes, 2);
  assert_near(fits[0].tubes[1].fit.effect, 1.5, 1e-9);
}

static void without_two_tubes_in_a_socket_there_is_no_model(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  measure(shelf, shelf->before.id, 0, 0);
  rb_study_data data;
  rb_study_sockets *fits = NULL;
  size_t n = 0;
  must(rb_study_load(shelf->book, "Workshop 30", shelf->arena, &data, &err), &err);
  assert_int_equal(rb_study_which_socket(&data, "treble_band", NULL, shelf->arena, &fits, &n, &err),
                   RB_BAD_ARG);
  assert_int_equal(rb_study_which_socket(&data, "nothing", NULL, shelf->arena, &fits, &n, &err),
                   RB_NOT_FOUND);
}

// ---- how many -----------------------------------------------------------------------------------

static void how_many_sittings_follows_from_the_spread_between_them(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  for (int i = 0; i < 6; i++) // spread between: ±0.1 dB around 0, sd 0.10954
    measure(shelf, shelf->before.id, i, i % 2 ? 0.1 : -0.1);
  rb_study_data data;
  rb_study_plan *plans = NULL;
  size_t n = 0;
  must(rb_study_load(shelf->book, "Workshop 30", shelf->arena, &data, &err), &err);
  must(rb_study_how_many(&data, "treble_band", NULL, 0.2, 2, 0.8, shelf->arena, &plans, &n, &err),
       &err);
  assert_int_equal(n, 2);
  assert_near(plans[0].between_df, 5, 1e-9);
  assert_near(plans[0].between_sd, sqrt(6 * 0.01 / 5), 1e-4);
  assert_int_equal(plans[0].sittings,
                   rb_sittings_needed(plans[0].between_sd, plans[0].within_sd, 2, 0.2, 0.8));
  assert_true(plans[0].sittings >= 5 && plans[0].sittings <= 8);
}

static void with_one_sitting_nothing_can_be_planned(void **state)
{
  fixture *shelf = *state;
  rb_err err = {0};
  measure(shelf, shelf->before.id, 0, 0);
  rb_study_data data;
  rb_study_plan *plans = NULL;
  size_t n = 0;
  must(rb_study_load(shelf->book, "Workshop 30", shelf->arena, &data, &err), &err);
  must(rb_study_how_many(&data, "treble_band", NULL, 0.2, 2, 0.8, shelf->arena, &plans, &n, &err),
       &err);
  assert_int_equal(plans[0].sittings, 0);
  assert_near(plans[0].between_df, 0, 0);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      SHELF_TEST(under_six_lineups_there_are_points_and_no_p),
      SHELF_TEST(six_lineups_in_perfect_order_have_the_exact_p),
      SHELF_TEST(what_was_heard_after_the_numbers_is_left_out_unless_asked_for),
      SHELF_TEST(lineups_never_heard_against_the_others_are_counted),
      SHELF_TEST(a_balanced_factorial_gives_differences_of_means),
      SHELF_TEST(tubes_that_always_moved_together_cannot_be_told_apart),
      SHELF_TEST(an_output_pair_that_changes_together_is_one_place),
      SHELF_TEST(an_attribute_has_a_socket_model_too),
      SHELF_TEST(without_two_tubes_in_a_socket_there_is_no_model),
      SHELF_TEST(how_many_sittings_follows_from_the_spread_between_them),
      SHELF_TEST(with_one_sitting_nothing_can_be_planned),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
