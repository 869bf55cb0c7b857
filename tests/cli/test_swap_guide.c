// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/swap_guide.h"

#include "near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/// A bench where someone types `answers`, and a guide through A, B, A: another tube in V2.
typedef struct bench {
  rb_console console;
  char *text;
  size_t size;
  char answers[32];
  rb_swap_guide guide;
} bench;

static void put(rb_lineup *lineup, const char *socket, int64_t id, const char *label,
                double bias_ma)
{
  rb_fitting *fitting = &lineup->fittings[lineup->n_fittings++];
  strcpy(fitting->socket, socket);
  strcpy(fitting->tube.label, label);
  fitting->tube.id = id;
  fitting->bias_ma = bias_ma;
}

static bench *new_bench(const char *answers)
{
  bench *fresh = calloc(1, sizeof *fresh);
  assert_non_null(fresh);
  strcpy(fresh->answers, answers);
  fresh->console.err = open_memstream(&fresh->text, &fresh->size);
  fresh->console.out = fresh->console.err;
  fresh->console.in = fmemopen(fresh->answers, strlen(answers), "r");
  fresh->console.can_ask = true;
  fresh->console.arena = rb_arena_new(0);
  rb_swap_guide *guide = &fresh->guide;
  rb_amplifier amplifier = {.n_sockets = 2,
                            .sockets = {{"V2", RB_PHASE_INVERTER, RB_LEFT, "6SN7"},
                                        {"V3", RB_OUTPUT_PUSH, RB_LEFT, "EL34"}}};
  guide->n_lineups = 2;
  for (int i = 0; i < 2; i++) {
    guide->lineups[i].amplifier = amplifier;
    strcpy(guide->lineups[i].name, i ? "after" : "before");
    put(&guide->lineups[i], "V2", 1 + i, i ? "inverter 2" : "inverter 1", 0);
    put(&guide->lineups[i], "V3", 3, "push", i ? 45 : 40);
  }
  strcpy(guide->letters, "ABA");
  guide->n = 3;
  return fresh;
}

static const char *written(bench *seen)
{
  fflush(seen->console.err);
  return seen->text;
}

static void free_bench(bench *seen)
{
  fclose(seen->console.in);
  fclose(seen->console.err);
  rb_arena_free(seen->console.arena);
  free(seen->text);
  free(seen);
}

static rb_status get_ready(bench *seen, size_t step, bool simulated)
{
  rb_err err = {0};
  return rb_swap_guide_get_ready(&seen->console, &seen->guide, step, simulated, 0, &err);
}

static void the_first_sitting_lists_what_is_in_and_asks(void **state)
{
  (void)state;
  bench *seen = new_bench("yes\n");
  assert_int_equal(get_ready(seen, 0, false), RB_OK);
  assert_non_null(strstr(written(seen), "Sitting 1 of 3: A, 'before'."));
  assert_non_null(strstr(written(seen), "V2: inverter 1"));
  assert_non_null(strstr(written(seen), "Are these tubes in"));
  free_bench(seen);
}

static void later_sittings_say_what_to_exchange_and_what_to_set(void **state)
{
  (void)state;
  bench *seen = new_bench("y\n");
  assert_int_equal(get_ready(seen, 1, false), RB_OK);
  assert_non_null(strstr(written(seen), "Off, unplugged and cold"));
  assert_non_null(strstr(written(seen), "V2 (phase inverter): inverter 1 out, inverter 2 in"));
  assert_non_null(strstr(written(seen), "V3: set 45 mA"));
  assert_null(strstr(written(seen), "push out"));
  free_bench(seen);
}

static void the_same_line_up_again_is_reseated(void **state)
{
  (void)state;
  bench *seen = new_bench("yes\n");
  strcpy(seen->guide.letters, "AAB");
  assert_int_equal(get_ready(seen, 1, false), RB_OK);
  assert_non_null(strstr(written(seen), "The same tubes out of their sockets and in again"));
  free_bench(seen);
}

static void anything_but_yes_stops(void **state)
{
  (void)state;
  static const char *const answers[] = {"no\n", "\n", "maybe\n"};
  for (size_t i = 0; i < RB_LEN(answers); i++) {
    bench *seen = new_bench(answers[i]);
    assert_int_equal(get_ready(seen, 1, false), RB_CANCELLED);
    free_bench(seen);
  }
}

static void where_nobody_can_answer_there_is_no_swap(void **state)
{
  (void)state;
  bench *seen = new_bench("yes\n");
  seen->console.can_ask = false;
  assert_int_equal(get_ready(seen, 0, false), RB_UNSAFE);
  assert_int_equal(get_ready(seen, 1, false), RB_UNSAFE);
  free_bench(seen);
}

static void the_simulated_amplifier_needs_nobody(void **state)
{
  (void)state;
  bench *seen = new_bench("no\n");
  seen->console.can_ask = false;
  assert_int_equal(get_ready(seen, 1, true), RB_OK);
  free_bench(seen);
}

static void cooling_can_be_stopped(void **state)
{
  (void)state;
  bench *seen = new_bench("yes\n");
  rb_cancel cancel = {0};
  rb_err err = {0};
  rb_cancel_request(&cancel);
  seen->console.cancel = &cancel;
  assert_int_equal(rb_swap_guide_get_ready(&seen->console, &seen->guide, 1, false, 900, &err),
                   RB_CANCELLED);
  assert_non_null(strstr(written(seen), "15 minutes to cool"));
  free_bench(seen);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_first_sitting_lists_what_is_in_and_asks),
      cmocka_unit_test(later_sittings_say_what_to_exchange_and_what_to_set),
      cmocka_unit_test(the_same_line_up_again_is_reseated),
      cmocka_unit_test(anything_but_yes_stops),
      cmocka_unit_test(where_nobody_can_answer_there_is_no_swap),
      cmocka_unit_test(the_simulated_amplifier_needs_nobody),
      cmocka_unit_test(cooling_can_be_stopped),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
