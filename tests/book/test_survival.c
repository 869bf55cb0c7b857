// SPDX-License-Identifier: GPL-3.0-or-later
#include "bookshelf.h"
#include "near.h"

#include "rollbook/base/random.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

// What happens to a book when a process is killed, the disk is full, the folder may only be read,
// or bytes rot.

enum { READINGS = 40, CAPTURES = 2, FRAMES = 20000 };

typedef struct fixture {
  char folder[SHELF_PATH_SIZE];
  rb_arena *arena;
  float *frames;
} fixture;

static int set_up(void **state)
{
  fixture *shelf = calloc(1, sizeof *shelf);
  shelf_make(shelf->folder);
  shelf->arena = rb_arena_new(0);
  shelf->frames = calloc(FRAMES * 2, sizeof(float));
  for (size_t i = 0; i < FRAMES * 2; i++)
    shelf->frames[i] = (float)(floor(sin(0.01 * (double)i) * 8e6) / 8388608);
  *state = shelf;
  return 0;
}

static int tear_down(void **state)
{
  fixture *shelf = *state;
  shelf_remove(shelf->folder);
  rb_arena_free(shelf->arena);
  free(shelf->frames);
  free(shelf);
  return 0;
}

static rb_results some_results(rb_arena *arena)
{
  rb_results results = rb_results_in(arena);
  for (int i = 0; i < READINGS; i++) {
    char condition[RB_CONDITION_SIZE];
    snprintf(condition, sizeof condition, "tone %d W", i);
    shelf_reading(&results, "h2", RB_LEFT, condition, "dB", -60 - i, true);
  }
  double x[200], y[200];
  for (int i = 0; i < 200; i++)
    x[i] = i, y[i] = sin(i);
  rb_curve curve = {.key = "response", .x_unit = "Hz", .y_unit = "dB", .x = x, .y = y, .n = 200};
  assert_int_equal(rb_results_add_curve(&results, &curve), RB_OK);
  return results;
}

static rb_status try_pass(fixture *shelf, rb_book *book, int64_t sitting_id, rb_err *err)
{
  rb_results results = some_results(shelf->arena);
  rb_kept_capture captures[CAPTURES];
  for (int i = 0; i < CAPTURES; i++)
    captures[i] = (rb_kept_capture){.signal = "tone-1k",
                                    .condition = "1 W",
                                    .capture = {.frames = shelf->frames,
                                                .n_frames = FRAMES,
                                                .n_channels = 2,
                                                .rate_hz = 48000,
                                                .health = {.usable = true}}};
  rb_pass pass = {.sitting_id = sitting_id, .plan = "quick", .settled = true};
  return rb_book_add_pass(book, &pass, &results, captures, CAPTURES, err);
}

static int64_t new_sitting(rb_book *book)
{
  rb_lineup before, after;
  shelf_stock(book, &before, &after);
  return shelf_sitting(book, before.id, 0);
}

// All passes of the book are whole. Returns how many there are.
static size_t count_whole_passes(fixture *shelf, rb_book *book)
{
  rb_pass *passes = NULL;
  size_t n = 0;
  rb_arena_mark mark = rb_arena_save(shelf->arena);
  assert_int_equal(rb_book_passes(book, 0, 0, shelf->arena, &passes, &n, NULL), RB_OK);
  for (size_t i = 0; i < n; i++) {
    rb_results results = rb_results_in(shelf->arena);
    rb_kept_capture *captures = NULL;
    size_t n_captures = 0;
    assert_int_equal(rb_book_results(book, passes[i].id, true, &results, NULL), RB_OK);
    assert_int_equal(results.n_readings, READINGS);
    assert_int_equal(results.n_curves, 1);
    assert_int_equal(
        rb_book_captures(book, passes[i].id, i + 2 > n, shelf->arena, &captures, &n_captures, NULL),
        RB_OK);
    assert_int_equal(n_captures, CAPTURES);
  }
  rb_arena_rewind(shelf->arena, mark);
  return n;
}

static size_t count_damage(fixture *shelf, rb_book *book, size_t *n_leftovers)
{
  rb_book_finding *findings = NULL;
  size_t n = 0, damage = 0;
  rb_err err = {0};
  if (rb_book_check(book, shelf->arena, &findings, &n, &err) != RB_OK)
    fail_msg("%s", err.message);
  for (size_t i = 0; i < n; i++) {
    damage += findings[i].damage;
    if (findings[i].damage)
      print_message("%s\n", findings[i].words);
  }
  if (n_leftovers)
    *n_leftovers = n - damage;
  return damage;
}

static void write_until_killed(fixture *shelf, int64_t sitting_id)
{
  rb_book *book = NULL;
  if (rb_book_open(shelf->folder, RB_BOOK_WRITE, &book, NULL) != RB_OK)
    _exit(1);
  for (;;) {
    rb_arena_mark mark = rb_arena_save(shelf->arena);
    if (try_pass(shelf, book, sitting_id, NULL) != RB_OK)
      _exit(2);
    rb_arena_rewind(shelf->arena, mark);
  }
}

// How long one pass takes to write here, so that the moments of the kills fall inside on any
// machine.
static double time_of_a_pass_s(fixture *shelf, rb_book *book, int64_t sitting_id)
{
  struct timespec start, end;
  clock_gettime(CLOCK_MONOTONIC, &start);
  assert_int_equal(try_pass(shelf, book, sitting_id, NULL), RB_OK);
  clock_gettime(CLOCK_MONOTONIC, &end);
  return (double)(end.tv_sec - start.tv_sec) + 1e-9 * (double)(end.tv_nsec - start.tv_nsec);
}

static void pause_for(double duration_s)
{
  double whole_s = floor(duration_s);
  nanosleep(&(struct timespec){.tv_sec = (time_t)whole_s,
                               .tv_nsec = (long)(1e9 * (duration_s - whole_s))},
            NULL);
}

static void a_killed_writer_leaves_no_half_pass(void **state)
{
  fixture *shelf = *state;
  rb_random random = rb_random_seeded(20261125);
  rb_book *book = shelf_open(shelf->folder);
  int64_t sitting = new_sitting(book);
  double pass_s = time_of_a_pass_s(shelf, book, sitting);
  rb_book_close(book);
  enum { ROUNDS = 40 };
  size_t passes = 1, with_leftovers = 0;
  for (int round = 0; round < ROUNDS; round++) {
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0)
      write_until_killed(shelf, sitting);
    pause_for(pass_s * (0.2 + 6 * rb_random_uniform(&random)));
    kill(child, SIGKILL);
    int how = 0;
    assert_int_equal(waitpid(child, &how, 0), child);
    assert_true(WIFSIGNALED(how)); // and did not end by a failure of its own
    rb_err err = {0};
    if (rb_book_open(shelf->folder, RB_BOOK_WRITE, &book, &err) != RB_OK)
      fail_msg("%s", err.message);
    size_t now = count_whole_passes(shelf, book), leftovers = 0;
    assert_true(now >= passes);
    passes = now;
    assert_int_equal(count_damage(shelf, book, &leftovers), 0);
    with_leftovers += leftovers > 0;
    size_t removed = 0;
    assert_int_equal(rb_book_prune(book, &removed, NULL), RB_OK);
    assert_int_equal(removed, leftovers);
    rb_book_close(book);
  }
  print_message("%d kills: %zu whole passes, %zu times files were left over\n", ROUNDS, passes,
                with_leftovers);
  assert_true(passes > ROUNDS / 4);
}

static void a_missing_truncated_or_changed_capture_is_damage(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  int64_t sitting = new_sitting(book);
  for (int i = 0; i < 2; i++)
    assert_int_equal(try_pass(shelf, book, sitting, NULL), RB_OK);
  rb_kept_capture *captures = NULL;
  size_t n = 0;
  assert_int_equal(rb_book_captures(book, 1, false, shelf->arena, &captures, &n, NULL), RB_OK);
  assert_null(captures[0].capture.frames);
  char path[3][512];
  snprintf(path[0], sizeof path[0], "%s/captures/%s", shelf->folder, captures[0].file);
  snprintf(path[1], sizeof path[1], "%s/captures/%s", shelf->folder, captures[1].file);
  assert_int_equal(rb_book_captures(book, 2, false, shelf->arena, &captures, &n, NULL), RB_OK);
  snprintf(path[2], sizeof path[2], "%s/captures/%s", shelf->folder, captures[0].file);
  assert_int_equal(unlink(path[0]), 0);
  assert_int_equal(truncate(path[1], 1000), 0);
  int file = open(path[2], O_WRONLY);
  assert_int_equal(pwrite(file, "rot", 3, 9000), 3);
  close(file);
  size_t leftovers = 9;
  assert_int_equal(count_damage(shelf, book, &leftovers), 3);
  assert_int_equal(leftovers, 0);
  rb_err err = {0};
  assert_int_equal(rb_book_captures(book, 1, true, shelf->arena, &captures, &n, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "cannot be read"));
  rb_book_close(book);
}

static void a_damaged_database_is_reported(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  int64_t sitting = new_sitting(book);
  for (int i = 0; i < 10; i++)
    assert_int_equal(try_pass(shelf, book, sitting, NULL), RB_OK);
  rb_book_close(book); // The last one to close writes the log back.
  char path[512];
  snprintf(path, sizeof path, "%s/book.sqlite", shelf->folder);
  struct stat about;
  assert_int_equal(stat(path, &about), 0);
  int file = open(path, O_RDWR);
  char rot[512];
  memset(rot, 0x5a, sizeof rot);
  for (off_t at = 3 * 4096; at < about.st_size; at += 4096) // spare the schema
    assert_int_equal(pwrite(file, rot, sizeof rot, at), (ssize_t)sizeof rot);
  close(file);
  rb_err err = {0};
  rb_status status = rb_book_open(shelf->folder, RB_BOOK_READ, &book, &err);
  if (status == RB_OK) {
    assert_true(count_damage(shelf, book, NULL) > 0);
    rb_book_close(book);
  } else {
    assert_int_equal(status, RB_STORAGE);
    assert_non_null(strstr(err.message, "damaged"));
  }
}

// RLIMIT_FSIZE makes a write fail in the middle of a file for any user, as a full disk does.
static void a_write_that_fails_half_way_leaves_the_book_as_it_was(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  int64_t sitting = new_sitting(book);
  assert_int_equal(try_pass(shelf, book, sitting, NULL), RB_OK);
  rb_err err = {0};
  struct rlimit before, tight;
  assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
  void (*handler)(int) = signal(SIGXFSZ, SIG_IGN);
  const rlim_t limits[] = {10, 5000, 30000, 60000};
  for (size_t i = 0; i < RB_LEN(limits); i++) {
    tight = (struct rlimit){.rlim_cur = limits[i], .rlim_max = before.rlim_max};
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &tight), 0);
    rb_status status = try_pass(shelf, book, sitting, &err);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    assert_int_equal(status, RB_STORAGE);
    assert_true(strlen(err.message) > 20);
  }
  signal(SIGXFSZ, handler);
  size_t leftovers = 9;
  assert_int_equal(count_damage(shelf, book, &leftovers), 0);
  assert_int_equal(leftovers, 0);
  assert_int_equal(count_whole_passes(shelf, book), 1);
  assert_int_equal(try_pass(shelf, book, sitting, NULL), RB_OK); // and goes on
  assert_int_equal(count_whole_passes(shelf, book), 2);
  rb_book_close(book);
}

static void a_full_disk_is_told_and_loses_nothing(void **state)
{
  fixture *shelf = *state;
  char small[512];
  snprintf(small, sizeof small, "%s/small", shelf->folder);
  assert_int_equal(mkdir(small, 0777), 0);
  if (mount("tmpfs", small, "tmpfs", 0, "size=1m") != 0) {
    print_message("SKIPPED: a small disk cannot be mounted here (%s)\n", strerror(errno));
    skip();
  }
  rb_book *book = shelf_open(small);
  int64_t sitting = new_sitting(book);
  rb_err err = {0};
  size_t kept = 0;
  rb_status status = RB_OK;
  for (; kept < 200 && status == RB_OK; kept += status == RB_OK)
    status = try_pass(shelf, book, sitting, &err);
  print_message("after %zu passes: %s\n", kept, err.message);
  assert_int_equal(status, RB_STORAGE);
  assert_non_null(strstr(err.message, "full"));
  assert_true(kept > 0);
  size_t leftovers = 9;
  assert_int_equal(count_damage(shelf, book, &leftovers), 0);
  assert_int_equal(leftovers, 0);
  assert_int_equal(count_whole_passes(shelf, book), kept);
  rb_book_close(book);
  assert_int_equal(rb_book_open(small, RB_BOOK_READ, &book, &err), RB_OK);
  assert_int_equal(count_whole_passes(shelf, book), kept);
  rb_book_close(book);
  assert_int_equal(umount(small), 0);
}

static void in_a_read_only_folder(fixture *shelf)
{
  rb_err err = {0};
  rb_book *book = NULL;
  assert_int_equal(rb_book_open(shelf->folder, RB_BOOK_WRITE, &book, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "may only be read here"));
  if (rb_book_open(shelf->folder, RB_BOOK_READ, &book, &err) != RB_OK)
    fail_msg("%s", err.message);
  assert_int_equal(count_whole_passes(shelf, book), 1);
  assert_int_equal(try_pass(shelf, book, 1, &err), RB_STORAGE);
  rb_book_close(book);
}

// Root may write anywhere, so as root the test steps down for a moment.
static void a_read_only_book_can_be_read_and_says_why_not_more(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  assert_int_equal(try_pass(shelf, book, new_sitting(book), NULL), RB_OK);
  rb_book_close(book);
  char captures[512];
  snprintf(captures, sizeof captures, "%s/captures", shelf->folder);
  assert_int_equal(chmod(captures, 0555), 0);
  assert_int_equal(chmod(shelf->folder, 0555), 0);
  bool is_root = geteuid() == 0;
  // access() asks for the real user, so both are changed.
  if (is_root)
    assert_int_equal(setresuid(65534, 65534, 0), 0);
  in_a_read_only_folder(shelf);
  if (is_root)
    assert_int_equal(setresuid(0, 0, 0), 0);
  assert_int_equal(chmod(shelf->folder, 0755), 0);
  assert_int_equal(chmod(captures, 0755), 0);
}

static void a_book_that_cannot_be_made_is_told(void **state)
{
  fixture *shelf = *state;
  char path[512];
  snprintf(path, sizeof path, "%s/file", shelf->folder);
  FILE *file = fopen(path, "w");
  assert_non_null(file);
  fclose(file);
  snprintf(path, sizeof path, "%s/file/book", shelf->folder);
  rb_err err = {0};
  rb_book *book = NULL;
  assert_int_equal(rb_book_open(path, RB_BOOK_CREATE, &book, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "cannot be made"));
  assert_int_equal(rb_book_open("", RB_BOOK_CREATE, &book, &err), RB_BAD_ARG);
}

static void prune_lets_a_pass_be_written_and_a_pass_waits_for_prune(void **state)
{
  fixture *shelf = *state;
  rb_book *book = shelf_open(shelf->folder);
  int64_t sitting = new_sitting(book);
  char path[512];
  snprintf(path, sizeof path, "%s/captures/.lock", shelf->folder);
  int lock = open(path, O_RDWR | O_CREAT, 0666);
  assert_int_equal(flock(lock, LOCK_SH), 0); // as another writer holds it
  size_t removed = 0;
  rb_err err = {0};
  assert_int_equal(rb_book_prune(book, &removed, &err), RB_STORAGE);
  assert_non_null(strstr(err.message, "in use"));
  assert_int_equal(flock(lock, LOCK_EX), 0); // as prune holds it
  pid_t child = fork();
  if (child == 0) {
    pause_for(0.2);
    flock(lock, LOCK_UN);
    _exit(0);
  }
  assert_int_equal(try_pass(shelf, book, sitting, NULL), RB_OK);
  waitpid(child, NULL, 0);
  close(lock);
  assert_int_equal(rb_book_prune(book, &removed, &err), RB_OK);
  assert_int_equal(removed, 0);
  rb_book_close(book);
}

static void two_programs_may_write_in_turn(void **state)
{
  fixture *shelf = *state;
  rb_book *one = shelf_open(shelf->folder), *two = shelf_open(shelf->folder);
  int64_t sitting = new_sitting(one);
  for (int i = 0; i < 3; i++) {
    assert_int_equal(try_pass(shelf, one, sitting, NULL), RB_OK);
    assert_int_equal(try_pass(shelf, two, sitting, NULL), RB_OK);
  }
  assert_int_equal(count_whole_passes(shelf, two), 6);
  rb_book_close(one);
  rb_book_close(two);
}

#define SHELF_TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
  const struct CMUnitTest tests[] = {
      SHELF_TEST(a_killed_writer_leaves_no_half_pass),
      SHELF_TEST(a_missing_truncated_or_changed_capture_is_damage),
      SHELF_TEST(a_damaged_database_is_reported),
      SHELF_TEST(a_write_that_fails_half_way_leaves_the_book_as_it_was),
      SHELF_TEST(a_full_disk_is_told_and_loses_nothing),
      SHELF_TEST(a_read_only_book_can_be_read_and_says_why_not_more),
      SHELF_TEST(a_book_that_cannot_be_made_is_told),
      SHELF_TEST(prune_lets_a_pass_be_written_and_a_pass_waits_for_prune),
      SHELF_TEST(two_programs_may_write_in_turn),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
