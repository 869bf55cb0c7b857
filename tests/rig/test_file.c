// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/guard/guard.h"
#include "rollbook/rig/file.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

static char folder[] = "/tmp/rollbook-file-XXXXXX";
static rb_arena *arena;
static rb_err err;

static const char *path_of(const char *name)
{
  return rb_arena_printf(arena, "%s/%s", folder, name);
}

static int make_folder(void **state)
{
  (void)state;
  return mkdtemp(folder) ? 0 : -1;
}

static int make_arena(void **state)
{
  (void)state;
  arena = rb_arena_new(64u << 20);
  return arena ? 0 : -1;
}

static int free_arena(void **state)
{
  (void)state;
  rb_arena_free(arena);
  return 0;
}

static int remove_folder(void **state)
{
  (void)state;
  char command[64];
  snprintf(command, sizeof command, "rm -rf '%s'", folder);
  return system(command);
}

// A stereo capture of seeded noise, |sample| ≤ 0.9.
static rb_capture noise(size_t n_frames, unsigned n_channels, double rate_hz)
{
  rb_capture capture = {.n_frames = n_frames, .n_channels = n_channels, .rate_hz = rate_hz};
  rb_random random = rb_random_seeded(n_frames + n_channels);
  capture.frames = rb_arena_alloc(arena, n_frames, n_channels * sizeof(float));
  for (size_t i = 0; i < n_frames * n_channels; i++)
    capture.frames[i] = (float)(1.8 * rb_random_uniform(&random) - 0.9);
  return capture;
}

static void write_bytes(const char *path, const void *bytes, size_t n_bytes)
{
  FILE *file = fopen(path, "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(bytes, 1, n_bytes, file), n_bytes);
  assert_int_equal(fclose(file), 0);
}

static unsigned char *read_bytes(const char *path, size_t *n_bytes)
{
  FILE *file = fopen(path, "rb");
  assert_non_null(file);
  unsigned char *bytes = rb_arena_alloc(arena, 1u << 20, 1);
  *n_bytes = fread(bytes, 1, 1u << 20, file);
  fclose(file);
  return bytes;
}

// Loads by path and from memory, which must agree.
static rb_status load(const char *path, rb_capture *capture, rb_file_info *info)
{
  rb_status status = rb_file_load(path, (rb_file_channels){0}, arena, capture, info, &err);
  struct stat found;
  if (stat(path, &found) == 0 && S_ISREG(found.st_mode) && found.st_size > 0) {
    size_t n_bytes;
    rb_capture again;
    unsigned char *bytes = read_bytes(path, &n_bytes);
    assert_int_equal(
        rb_file_load_bytes(bytes, n_bytes, path, (rb_file_channels){0}, arena, &again, NULL, NULL),
        status);
    if (status == RB_OK)
      assert_memory_equal(capture->frames, again.frames,
                          again.n_frames * again.n_channels * sizeof(float));
  }
  return status;
}

static void what_is_written_is_read_again(void **state)
{
  (void)state;
  const double rates_hz[] = {44100, 48000, 88200, 96000, 192000};
  for (size_t i = 0; i < RB_LEN(rates_hz); i++) {
    for (unsigned n_channels = 1; n_channels <= 2; n_channels++) {
      rb_capture written = noise(5000 + i, n_channels, rates_hz[i]), read;
      rb_file_info info;
      const char *path = path_of("round.wav");
      assert_int_equal(rb_file_save(path, &written, RB_FILE_FLOAT_32, &err), RB_OK);
      assert_int_equal(load(path, &read, &info), RB_OK);
      assert_int_equal(read.n_frames, written.n_frames);
      assert_int_equal(read.n_channels, n_channels);
      assert_near(read.rate_hz, rates_hz[i], 0);
      assert_memory_equal(read.frames, written.frames,
                          written.n_frames * n_channels * sizeof(float));
      assert_int_equal(rb_file_save(path, &written, RB_FILE_PCM_24, &err), RB_OK);
      assert_int_equal(load(path, &read, &info), RB_OK);
      assert_near(info.width_bits, 24, 0);
      for (size_t k = 0; k < written.n_frames * n_channels; k++)
        assert_near((double)read.frames[k], (double)written.frames[k], 0.51 / (1 << 23));
    }
  }
}

// SoX as the other program: every container and width a recorder may hand over.
static void files_of_another_program_are_read_at_their_width(void **state)
{
  (void)state;
  const struct {
    const char *name, *options;
    double width_bits, step;
  } files[] = {
      {"a.wav", "-b 16 -c 2", 16, 0x1p-15},  {"b.wav", "-b 24 -c 2", 24, 0x1p-23},
      {"c.wav", "-b 32 -c 2", 32, 0x1p-24},  {"d.wav", "-b 32 -e float -c 1", 24, 0x1p-24},
      {"e.flac", "-b 16 -c 2", 16, 0x1p-15}, {"f.flac", "-b 24 -c 1", 24, 0x1p-23},
      {"g.aiff", "-b 16 -c 2", 16, 0x1p-15}, {"h.aiff", "-b 24 -c 2", 24, 0x1p-23},
      {"i.wav", "-b 8 -c 1", 8, 0x1p-7},     {"j.wav", "-b 64 -e float -c 2", 53, 0x1p-24},
  };
  for (size_t i = 0; i < RB_LEN(files); i++) {
    char command[256];
    snprintf(command, sizeof command,
             "sox -D -V1 -n -r 48000 %s '%s/%s' synth 0.2 sine 1000 gain -6", files[i].options,
             folder, files[i].name);
    assert_int_equal(system(command), 0);
    rb_capture capture;
    rb_file_info info;
    assert_int_equal(load(path_of(files[i].name), &capture, &info), RB_OK);
    assert_near(info.width_bits, files[i].width_bits, 0);
    assert_int_equal(capture.n_frames, 9600);
    double gain = pow(10, -6.0 / 20);
    for (size_t k = 0; k < capture.n_frames; k++)
      assert_near((double)capture.frames[k * capture.n_channels],
                  gain * sin(2 * 3.14159265358979323846 * 1000 * (double)k / 48000),
                  files[i].step + 1e-6);
  }
}

static void a_channel_is_chosen_by_number(void **state)
{
  (void)state;
  char command[512];
  snprintf(command, sizeof command,
           "sox -D -V1 -n -r 48000 -b 24 -c 4 '%s/four.wav' synth 0.1 sine 100 sine 200 sine 300 "
           "sine 400",
           folder);
  assert_int_equal(system(command), 0);
  const struct {
    rb_file_channels wanted;
    unsigned n_channels;
    double hz[2];
  } cases[] = {{{0, 0}, 2, {100, 200}},
               {{3, 0}, 1, {300, 0}},
               {{4, 1}, 2, {400, 100}},
               {{2, 2}, 2, {200, 200}}};
  for (size_t i = 0; i < RB_LEN(cases); i++) {
    rb_capture capture;
    assert_int_equal(
        rb_file_load(path_of("four.wav"), cases[i].wanted, arena, &capture, NULL, &err), RB_OK);
    assert_int_equal(capture.n_channels, cases[i].n_channels);
    for (unsigned c = 0; c < capture.n_channels; c++)
      assert_near((double)capture.frames[50 * capture.n_channels + c],
                  sin(2 * 3.14159265358979323846 * cases[i].hz[c] * 50 / 48000), 1e-5);
  }
  rb_capture capture;
  assert_int_equal(
      rb_file_load(path_of("four.wav"), (rb_file_channels){5, 0}, arena, &capture, NULL, &err),
      RB_BAD_ARG);
  assert_non_null(strstr(err.message, "4 channels"));
}

// ---- hostile files ------------------------------------------------------------------------------

static void assert_refused(const char *name, rb_status status, const char *words)
{
  rb_capture capture;
  rb_status found = load(path_of(name), &capture, NULL);
  if (found != status || !strstr(err.message, words))
    print_error("%s: status %d, \"%s\"\n", name, (int)found, err.message);
  assert_int_equal(found, status);
  assert_non_null(strstr(err.message, words));
  assert_non_null(strstr(err.message, name)); // names the file
}

static void a_file_cut_short_is_refused(void **state)
{
  (void)state;
  const char *const names[] = {"cut.wav", "cut.aiff", "cut.flac"};
  for (size_t i = 0; i < RB_LEN(names); i++) {
    char command[256];
    snprintf(command, sizeof command,
             "sox -D -V1 -n -r 48000 -b 16 -c 2 '%s/%s' synth 1 pinknoise gain -6", folder,
             names[i]);
    assert_int_equal(system(command), 0);
    rb_capture capture;
    assert_int_equal(load(path_of(names[i]), &capture, NULL), RB_OK);
    size_t n_bytes;
    unsigned char *bytes = read_bytes(path_of(names[i]), &n_bytes);
    write_bytes(path_of(names[i]), bytes, n_bytes / 3);
    assert_refused(names[i], RB_FORMAT, "cut short");
    write_bytes(path_of(names[i]), bytes, 30);
    assert_refused(names[i], RB_FORMAT, "");
  }
}

static void a_header_without_a_length_is_read_to_the_end(void **state)
{
  (void)state;
  rb_capture written = noise(1000, 2, 48000), read;
  assert_int_equal(rb_file_save(path_of("pipe.wav"), &written, RB_FILE_PCM_24, &err), RB_OK);
  size_t n_bytes;
  unsigned char *bytes = read_bytes(path_of("pipe.wav"), &n_bytes);
  unsigned char *data = memmem(bytes, n_bytes, "data", 4);
  assert_non_null(data);
  memset(bytes + 4, 0xff, 4); // as a program leaves it that wrote into a pipe
  memset(data + 4, 0xff, 4);
  write_bytes(path_of("pipe.wav"), bytes, n_bytes);
  assert_int_equal(load(path_of("pipe.wav"), &read, NULL), RB_OK);
  assert_int_equal(read.n_frames, 1000);
}

static void what_is_no_sound_is_refused_by_name(void **state)
{
  (void)state;
  write_bytes(path_of("empty.wav"), "", 0);
  assert_refused("empty.wav", RB_FORMAT, "empty");
  write_bytes(path_of("text.wav"), "Dear recorder,\nhere is no sound.\n", 33);
  assert_refused("text.wav", RB_FORMAT, "not an audio file");
  assert_int_equal(mkdir(path_of("folder.wav"), 0755), 0);
  assert_refused("folder.wav", RB_FORMAT, "not a file");
  assert_refused("missing.wav", RB_NOT_FOUND, "No such file");
  rb_capture none = noise(1, 2, 48000);
  assert_int_equal(rb_file_save(path_of("none.wav"), &none, RB_FILE_PCM_24, &err), RB_OK);
  size_t n_bytes;
  unsigned char *bytes = read_bytes(path_of("none.wav"), &n_bytes);
  write_bytes(path_of("none.wav"), bytes, n_bytes - 6);
  assert_refused("none.wav", RB_FORMAT, "no");
}

static void a_header_that_promises_too_much_is_refused_without_taking_memory(void **state)
{
  (void)state;
  // FLAC: STREAMINFO begins at byte 8; its last 36 bits before the checksum are the frame count.
  char command[256];
  snprintf(command, sizeof command,
           "sox -D -V1 -n -r 48000 -b 16 -c 2 '%s/huge.flac' synth 0.1 sine 1000", folder);
  assert_int_equal(system(command), 0);
  size_t n_bytes;
  unsigned char *bytes = read_bytes(path_of("huge.flac"), &n_bytes);
  bytes[8 + 13] |= 0x0f;
  memset(bytes + 8 + 14, 0xf0, 4);
  write_bytes(path_of("huge.flac"), bytes, n_bytes);
  size_t before = rb_arena_bytes(arena);
  assert_refused("huge.flac", RB_FORMAT, "cut short");
  assert_at_most((double)(rb_arena_bytes(arena) - before), 16e6);

  rb_capture written = noise(1000, 2, 48000);
  assert_int_equal(rb_file_save(path_of("huge.wav"), &written, RB_FILE_PCM_24, &err), RB_OK);
  bytes = read_bytes(path_of("huge.wav"), &n_bytes);
  unsigned char *data = memmem(bytes, n_bytes, "data", 4);
  memcpy(data + 4, "\x00\x00\x00\x70", 4);
  write_bytes(path_of("huge.wav"), bytes, n_bytes);
  assert_refused("huge.wav", RB_FORMAT, "cut short");
  unsigned char *format = memmem(bytes, n_bytes, "fmt ", 4);
  memcpy(format + 12, "\x01\x00\x00\x00", 4); // 1 Hz
  memcpy(data + 4, "\x70\x17\x00\x00", 4);
  write_bytes(path_of("slow.wav"), bytes, n_bytes);
  assert_refused("slow.wav", RB_FORMAT, "sample rate of 1 Hz");
}

static void a_sample_that_is_no_number_is_named(void **state)
{
  (void)state;
  rb_capture written = noise(6000, 2, 48000);
  assert_int_equal(rb_file_save(path_of("nan.wav"), &written, RB_FILE_FLOAT_32, &err), RB_OK);
  size_t n_bytes;
  unsigned char *bytes = read_bytes(path_of("nan.wav"), &n_bytes);
  const float bad[2] = {NAN, INFINITY};
  const char *const words[2] = {"frame 5000 of channel 2 is NaN", "frame 5000 of channel 2 is inf"};
  for (int i = 0; i < 2; i++) {
    memcpy(bytes + n_bytes - 999 * 8 - 4, &bad[i], 4);
    write_bytes(path_of("nan.wav"), bytes, n_bytes);
    assert_refused("nan.wav", RB_FORMAT, words[i]);
  }
}

static void a_recording_longer_than_the_memory_allows_is_refused(void **state)
{
  (void)state;
  rb_capture written = noise(100000, 2, 48000), read;
  assert_int_equal(rb_file_save(path_of("long.wav"), &written, RB_FILE_PCM_24, &err), RB_OK);
  rb_arena *small = rb_arena_new(100000);
  assert_int_equal(
      rb_file_load(path_of("long.wav"), (rb_file_channels){0}, small, &read, NULL, &err),
      RB_NO_MEM);
  rb_arena_free(small);
}

static void every_broken_byte_of_a_header_is_survived(void **state)
{
  (void)state;
  rb_capture written = noise(300, 2, 48000);
  assert_int_equal(rb_file_save(path_of("fuzz.wav"), &written, RB_FILE_PCM_24, &err), RB_OK);
  size_t n_bytes, n_read = 0;
  unsigned char *bytes = read_bytes(path_of("fuzz.wav"), &n_bytes);
  rb_random random = rb_random_seeded(5);
  for (int i = 0; i < 3000; i++) {
    rb_arena_mark mark = rb_arena_save(arena);
    size_t at = rb_random_below(&random, 60);
    unsigned char was = bytes[at];
    bytes[at] = (unsigned char)rb_random_bits(&random);
    rb_capture capture;
    rb_status status = rb_file_load_bytes(bytes, n_bytes, "fuzz", (rb_file_channels){0}, arena,
                                          &capture, NULL, &err);
    assert_true(status == RB_OK || status == RB_FORMAT || status == RB_NO_MEM);
    n_read += status == RB_OK;
    bytes[at] = was;
    rb_arena_rewind(arena, mark);
  }
  assert_true(n_read > 100 && n_read < 2900);
}

// ---- writing where it cannot be done ------------------------------------------------------------

static void a_file_that_cannot_be_written_leaves_what_was_there(void **state)
{
  (void)state;
  rb_capture old = noise(100, 2, 48000), large = noise(100000, 2, 48000), read;
  const char *path = path_of("kept.wav");
  assert_int_equal(rb_file_save(path, &old, RB_FILE_FLOAT_32, &err), RB_OK);
  // A file size limit stands for a full disk: writes fail in the same place.
  struct rlimit limit, before;
  assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
  limit = before;
  limit.rlim_cur = 100000;
  signal(SIGXFSZ, SIG_IGN);
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
  rb_status status = rb_file_save(path, &large, RB_FILE_FLOAT_32, &err);
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
  assert_int_equal(status, RB_IO);
  assert_non_null(strstr(err.message, "kept.wav"));
  assert_int_equal(load(path, &read, NULL), RB_OK);
  assert_int_equal(read.n_frames, 100);
  char command[128];
  snprintf(command, sizeof command, "test $(ls '%s' | grep -c kept) = 1", folder);
  assert_int_equal(system(command), 0); // nothing half written is left beside it
  assert_int_equal(rb_file_save("/nowhere/at/all.wav", &old, RB_FILE_FLOAT_32, &err), RB_IO);
}

static void a_sample_out_of_range_is_not_written(void **state)
{
  (void)state;
  rb_capture capture = noise(100, 2, 48000);
  capture.frames[7] = 1.5f;
  assert_int_equal(rb_file_save(path_of("over.wav"), &capture, RB_FILE_PCM_24, &err), RB_BAD_ARG);
  assert_int_equal(rb_file_save(path_of("over.wav"), &capture, RB_FILE_FLOAT_32, &err), RB_OK);
  capture.frames[7] = NAN;
  assert_int_equal(rb_file_save(path_of("over2.wav"), &capture, RB_FILE_FLOAT_32, &err),
                   RB_BAD_ARG);
  assert_int_equal(access(path_of("over2.wav"), F_OK), -1);
}

// ---- as a rig -----------------------------------------------------------------------------------

static void a_recording_made_elsewhere_goes_through_the_guard(void **state)
{
  (void)state;
  const double rate_hz = 48000, peak[2] = {0.4, 0.4};
  size_t n = 24000, delay = 100000; // the recorder was started two seconds early
  rb_stimulus stimulus = {rb_arena_doubles(arena, n), rb_arena_doubles(arena, n), n, rate_hz};
  for (size_t i = 0; i < n; i++)
    stimulus.left[i] = stimulus.right[i] =
        sin(2 * 3.14159265358979323846 * 997 * (double)i / rate_hz);
  rb_framing framing = rb_framing_for(n, rate_hz, 0.5, 0.5);
  rb_capture recorded = noise(framing.n_frames + 2 * delay, 2, rate_hz);
  memset(recorded.frames, 0, recorded.n_frames * 2 * sizeof(float));
  assert_int_equal(
      rb_framing_render(&framing, &stimulus, peak, peak, arena, recorded.frames + 2 * delay),
      RB_OK);
  const char *path = path_of("take.wav");
  assert_int_equal(rb_file_save(path, &recorded, RB_FILE_PCM_24, &err), RB_OK);
  rb_bench bench = rb_bench_default();
  snprintf(bench.rig, sizeof bench.rig, "file:%s", path);
  rb_guard *guard = NULL;
  assert_int_equal(rb_guard_open(&bench, NULL, 0, &guard, &err), RB_OK);
  assert_false(rb_guard_caps(guard)->plays);
  assert_near(rb_guard_caps(guard)->input_bits, 24, 0);
  rb_capture capture;
  rb_guard_report report;
  assert_int_equal(
      rb_guard_exchange(guard, &stimulus, peak, 0, NULL, NULL, arena, &capture, &report, &err),
      RB_OK);
  assert_int_equal(capture.n_frames, n);
  for (size_t i = 500; i < n - 500; i++)
    assert_near((double)capture.frames[2 * i], 0.4 * stimulus.left[i], 1e-6);
  double drive_dbfs[2];
  assert_int_equal(rb_guard_find_level(guard, 1000, 1, RB_BOTH, NULL, arena, drive_dbfs, &err),
                   RB_UNSUPPORTED);
  rb_guard_close(guard);
  bench.rate_hz = 44100;
  assert_int_equal(rb_guard_open(&bench, NULL, 0, &guard, &err), RB_UNSUPPORTED);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(what_is_written_is_read_again, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(files_of_another_program_are_read_at_their_width, make_arena,
                                      free_arena),
      cmocka_unit_test_setup_teardown(a_channel_is_chosen_by_number, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(a_file_cut_short_is_refused, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(a_header_without_a_length_is_read_to_the_end, make_arena,
                                      free_arena),
      cmocka_unit_test_setup_teardown(what_is_no_sound_is_refused_by_name, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(
          a_header_that_promises_too_much_is_refused_without_taking_memory, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(a_sample_that_is_no_number_is_named, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(a_recording_longer_than_the_memory_allows_is_refused,
                                      make_arena, free_arena),
      cmocka_unit_test_setup_teardown(every_broken_byte_of_a_header_is_survived, make_arena,
                                      free_arena),
      cmocka_unit_test_setup_teardown(a_file_that_cannot_be_written_leaves_what_was_there,
                                      make_arena, free_arena),
      cmocka_unit_test_setup_teardown(a_sample_out_of_range_is_not_written, make_arena, free_arena),
      cmocka_unit_test_setup_teardown(a_recording_made_elsewhere_goes_through_the_guard, make_arena,
                                      free_arena),
  };
  return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
