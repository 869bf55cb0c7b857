// SPDX-License-Identifier: GPL-3.0-or-later
#include "near.h"

#include "rollbook/base/random.h"
#include "rollbook/base/units.h"
#include "rollbook/stimulus/samples.h"

#include <math.h>
#include <string.h>

// The "amplifier and card" between play and capture of these tests.
typedef struct path {
  double rate_hz, duration_s;
  double latency_frames;
  double clock_ppm;     // > 0: the recorder takes more frames
  double gain[2];       // negative: turned over
  double noise;         // rms, of full scale
  size_t lost_at, lost; // frames left out of the capture, from there
  size_t inserted;      // frames of silence put in at lost_at
} path;

static const path clean = {.rate_hz = 48000, .duration_s = 2, .gain = {0.5, 0.5}, .noise = 1e-5};

static rb_stimulus sine_of(const path *p, rb_arena *arena)
{
  const size_t n = (size_t)lround(p->duration_s * p->rate_hz);
  rb_stimulus s = {.left = rb_arena_doubles(arena, n),
                   .right = rb_arena_doubles(arena, n),
                   .n_frames = n,
                   .rate_hz = p->rate_hz};
  for (size_t i = 0; i < n; i++)
    s.left[i] = s.right[i] = sin(2 * RB_PI * 1000 * (double)i / p->rate_hz);
  return s;
}

// Sample of `play` between frames: a windowed sinc of 32 points.
static double between(const float *play, size_t n, unsigned channel, double at)
{
  const double whole = floor(at), fraction = at - whole;
  const double sine = sin(RB_PI * fraction) / RB_PI;
  double sum = 0;
  for (int k = -15; k <= 16; k++) {
    const double place = whole + k, distance = (double)k - fraction;
    if (place < 0 || place >= (double)n)
      continue;
    const double sign = k & 1 ? 1 : -1; // sin(π(k − x)) = −(−1)^k·sin(πx)
    const double sinc = fabs(distance) < 1e-9 ? 1 : sign * sine / distance;
    const double share = distance / 16.5, window = (1 - share * share) * (1 - share * share);
    sum += sinc * window * (double)play[2 * (size_t)place + channel];
  }
  return sum;
}

static rb_capture through(const path *p, const float *play, size_t n, rb_arena *arena)
{
  rb_random random = rb_random_seeded(7);
  const size_t room = n + p->inserted;
  rb_capture capture = {.frames = rb_arena_alloc(arena, 2 * room, sizeof(float)),
                        .n_channels = 2,
                        .rate_hz = p->rate_hz};
  const double step = 1 / (1 + 1e-6 * p->clock_ppm);
  for (size_t i = 0; i < n; i++) {
    if (p->lost && i >= p->lost_at && i < p->lost_at + p->lost)
      continue;
    if (p->inserted && i == p->lost_at)
      capture.n_frames += p->inserted;
    for (unsigned c = 0; c < 2; c++) {
      const double heard = between(play, n, c, ((double)i - p->latency_frames) * step);
      capture.frames[2 * capture.n_frames + c] =
          (float)(p->gain[c] * heard + p->noise * rb_random_normal(&random));
    }
    capture.n_frames++;
  }
  return capture;
}

typedef struct trip {
  rb_arena *arena;
  rb_framing framing;
  rb_stimulus stimulus;
  rb_capture capture;
  rb_located located;
} trip;

static trip travelled(const path *p)
{
  trip t = {.arena = rb_arena_new(0)};
  t.stimulus = sine_of(p, t.arena);
  t.framing = rb_framing_for(t.stimulus.n_frames, p->rate_hz, 0.3, 0.5);
  float *play = rb_arena_alloc(t.arena, 2 * t.framing.n_frames, sizeof *play);
  const double peak[2] = {0.5, 0.5}, marker_peak[2] = {0.25, 0.25};
  assert_int_equal(rb_framing_render(&t.framing, &t.stimulus, peak, marker_peak, t.arena, play),
                   RB_OK);
  t.capture = through(p, play, t.framing.n_frames, t.arena);
  assert_int_equal(rb_framing_locate(&t.framing, &t.capture, t.arena, &t.located), RB_OK);
  return t;
}

static void the_parts_stand_in_order_and_every_edge_is_ramped(void **state)
{
  (void)state;
  rb_arena *arena = rb_arena_new(0);
  const rb_stimulus s = sine_of(&clean, arena);
  const rb_framing f = rb_framing_for(s.n_frames, 48000, 0.3, 0.5);
  assert_true(f.marker_start < f.marker_second && f.marker_second < f.stimulus_start);
  assert_true(f.stimulus_start + f.stimulus_frames < f.marker_end && f.marker_end < f.n_frames);
  const double framed_s = (double)(f.n_frames - s.n_frames) / 48000 - 0.3 - 0.5;
  assert_near(framed_s, rb_framing_overhead_s(48000), 1e-4);
  for (size_t i = 0; i < s.n_frames; i++)
    s.left[i] = s.right[i] = 1;
  float *play = rb_arena_alloc(arena, 2 * f.n_frames, sizeof *play);
  const double peak[2] = {0.5, 0.25}, marker_peak[2] = {0.1, 0};
  assert_int_equal(rb_framing_render(&f, &s, peak, marker_peak, arena, play), RB_OK);
  // Raised cosine of 10 ms (480 frames) on a constant: no step over (π/2)/480 of the peak.
  double largest[2] = {0, 0};
  for (size_t i = f.stimulus_start - 1; i <= f.stimulus_start + s.n_frames; i++)
    for (unsigned c = 0; c < 2; c++)
      largest[c] = fmax(largest[c], fabs((double)play[2 * i + 2 + c] - (double)play[2 * i + c]));
  assert_at_most(largest[0], 0.5 * RB_PI / 2 / 480 * 1.001);
  assert_near((double)play[2 * (f.stimulus_start + 24000)], 0.5, 1e-7);
  assert_near((double)play[2 * (f.stimulus_start + 24000) + 1], 0.25, 1e-7);
  for (size_t i = 0; i < f.stimulus_start; i++)
    assert_near((double)play[2 * i + 1], 0, 0); // no marker asked on the right
  rb_arena_free(arena);
}

static void a_clean_capture_is_found_to_a_hundredth_of_a_frame(void **state)
{
  (void)state;
  static const double rates_hz[] = {44100, 48000, 96000, 192000};
  for (size_t i = 0; i < 4; i++) {
    path p = clean;
    p.rate_hz = rates_hz[i];
    p.duration_s = 0.5;
    p.latency_frames = 1234.375;
    trip t = travelled(&p);
    assert_true(t.located.found);
    assert_int_equal(t.located.missing_frames, 0);
    assert_near(t.located.stimulus_at - (double)t.framing.stimulus_start, 1234.375, 0.01);
    assert_near(t.located.latency_s, 1234.375 / p.rate_hz, 0.01 / p.rate_hz);
    assert_near(t.located.clock_ppm, 0, 0.5);
    rb_arena_free(t.arena);
  }
}

static void a_clock_offset_is_told_and_is_no_loss(void **state)
{
  (void)state;
  static const double offsets_ppm[] = {-300, -100, -3, 25, 100, 500};
  for (size_t i = 0; i < 6; i++) {
    path p = clean;
    p.duration_s = 10;
    p.clock_ppm = offsets_ppm[i];
    p.latency_frames = 700;
    trip t = travelled(&p);
    assert_true(t.located.found);
    assert_int_equal(t.located.missing_frames, 0);
    assert_near(t.located.clock_ppm, offsets_ppm[i], 0.1);
    rb_arena_free(t.arena);
  }
}

// 64 frames of 10 s at 48 kHz are 133 ppm: only the pair at the start tells the two apart.
static void lost_and_inserted_blocks_are_told_from_a_clock_offset(void **state)
{
  (void)state;
  static const struct {
    double clock_ppm;
    size_t lost, inserted;
    long missing;
  } rows[] = {{0, 64, 0, 64},     {100, 64, 0, 64},  {-133, 64, 0, 64},  {100, 0, 64, -64},
              {0, 1024, 0, 1024}, {0, 0, 512, -512}, {50, 8000, 0, 8000}};
  for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
    path p = clean;
    p.duration_s = 10;
    p.latency_frames = 2000;
    p.clock_ppm = rows[i].clock_ppm;
    p.lost = rows[i].lost;
    p.inserted = rows[i].inserted;
    p.lost_at = 250000;
    trip t = travelled(&p);
    assert_true(t.located.found);
    assert_near((double)t.located.missing_frames, (double)rows[i].missing, 2);
    rb_arena_free(t.arena);
  }
}

static void frames_lost_between_the_start_markers_are_seen(void **state)
{
  (void)state;
  path p = clean;
  p.lost = 64;
  p.lost_at = 17000; // start markers at 14400 and 24000
  trip t = travelled(&p);
  assert_true(t.located.found);
  assert_true(t.located.missing_frames != 0);
  rb_arena_free(t.arena);
}

static void polarity_is_told_for_each_channel_that_hears_the_markers(void **state)
{
  (void)state;
  path p = clean;
  p.gain[0] = -0.5;
  p.gain[1] = 0.4;
  trip t = travelled(&p);
  assert_int_equal(t.located.polarity[0], -1);
  assert_int_equal(t.located.polarity[1], 1);
  rb_arena_free(t.arena);
  p.gain[0] = 1e-3; // 54 dB down: crosstalk
  t = travelled(&p);
  assert_true(t.located.found);
  assert_int_equal(t.located.polarity[0], 0);
  assert_int_equal(t.located.polarity[1], 1);
  rb_arena_free(t.arena);
}

static void markers_at_40_db_over_the_noise_still_find_a_lost_block(void **state)
{
  (void)state;
  path p = clean;
  p.noise = 0.25 * 0.5 / sqrt(2) * 0.01;
  p.duration_s = 4;
  trip t = travelled(&p);
  assert_true(t.located.found);
  assert_int_equal(t.located.missing_frames, 0);
  assert_near(t.located.clock_ppm, 0, 1);
  rb_arena_free(t.arena);
  p.lost = 64;
  p.lost_at = 100000;
  t = travelled(&p);
  assert_near((double)t.located.missing_frames, 64, 2);
  rb_arena_free(t.arena);
}

static void a_capture_without_markers_is_no_error(void **state)
{
  (void)state;
  path p = clean;
  p.gain[0] = p.gain[1] = 0;
  trip t = travelled(&p);
  assert_false(t.located.found);
  assert_int_equal(t.located.polarity[0], 0);
  rb_arena_free(t.arena);
  p = clean;
  t = travelled(&p);
  t.capture.n_frames = t.framing.stimulus_start; // cut short: no end marker
  assert_int_equal(rb_framing_locate(&t.framing, &t.capture, t.arena, &t.located), RB_OK);
  assert_false(t.located.found);
  t.capture.n_frames = 10;
  assert_int_equal(rb_framing_locate(&t.framing, &t.capture, t.arena, &t.located), RB_OK);
  assert_false(t.located.found);
  rb_arena_free(t.arena);
}

static void the_cut_is_the_stimulus_and_what_follows_as_far_as_there_is(void **state)
{
  (void)state;
  path p = clean;
  p.latency_frames = 100;
  trip t = travelled(&p);
  rb_capture cut = rb_framing_cut(&t.framing, &t.located, &t.capture, 480);
  assert_int_equal(cut.n_frames, t.stimulus.n_frames + 480);
  for (size_t i = 480; i < t.stimulus.n_frames - 480; i += 997)
    assert_near((double)cut.frames[2 * i], 0.25 * t.stimulus.left[i], 1e-3);
  cut = rb_framing_cut(&t.framing, &t.located, &t.capture, 1u << 30);
  assert_ptr_equal(cut.frames + 2 * cut.n_frames, t.capture.frames + 2 * t.capture.n_frames);
  rb_arena_free(t.arena);
}

int main(void)
{
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_parts_stand_in_order_and_every_edge_is_ramped),
      cmocka_unit_test(a_clean_capture_is_found_to_a_hundredth_of_a_frame),
      cmocka_unit_test(a_clock_offset_is_told_and_is_no_loss),
      cmocka_unit_test(lost_and_inserted_blocks_are_told_from_a_clock_offset),
      cmocka_unit_test(frames_lost_between_the_start_markers_are_seen),
      cmocka_unit_test(polarity_is_told_for_each_channel_that_hears_the_markers),
      cmocka_unit_test(markers_at_40_db_over_the_noise_still_find_a_lost_block),
      cmocka_unit_test(a_capture_without_markers_is_no_error),
      cmocka_unit_test(the_cut_is_the_stimulus_and_what_follows_as_far_as_there_is),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
