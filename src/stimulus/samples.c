// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stimulus/samples.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/marker.h"

#include <math.h>
#include <string.h>

// Between the start markers; the longer, the finer the clock offset they give. 0.2 s and 0.005
// frames of a marker's position (noise 40 dB below it, 48 kHz) are 0.7 ppm.
static const double base_s = 0.2;
static const double gap_before_s = 0.2; // lets a coupling capacitor settle after the marker
static const double gap_behind_s = 0.1;
// No clock of a working sound card is further off; beyond this frames were lost.
static const double most_clock_ppm = 1000;
// How far around its expected place a marker is looked for.
static const double search_pair_s = 0.05;
static const double search_end_s = 0.5;

static size_t frames_of(double duration_s, double rate_hz)
{
  return (size_t)lround(duration_s * rate_hz);
}

double rb_framing_overhead_s(double rate_hz)
{
  (void)rate_hz;
  return base_s + RB_MARKER_S + gap_before_s + gap_behind_s + RB_MARKER_S;
}

rb_framing rb_framing_for(size_t stimulus_frames, double rate_hz, double lead_in_s, double tail_s)
{
  const size_t marker = rb_marker_length(rate_hz);
  rb_framing framing = {.stimulus_frames = stimulus_frames, .rate_hz = rate_hz};
  framing.marker_start = frames_of(lead_in_s, rate_hz);
  framing.marker_second = framing.marker_start + frames_of(base_s, rate_hz);
  framing.stimulus_start = framing.marker_second + marker + frames_of(gap_before_s, rate_hz);
  framing.marker_end = framing.stimulus_start + stimulus_frames + frames_of(gap_behind_s, rate_hz);
  framing.n_frames = framing.marker_end + marker + frames_of(tail_s, rate_hz);
  return framing;
}

// ---- writing ------------------------------------------------------------------------------------

static void put_marker(float *play, size_t at, const double *marker, size_t n,
                       const double marker_peak[2])
{
  for (size_t i = 0; i < n; i++)
    for (size_t c = 0; c < 2; c++)
      play[2 * (at + i) + c] = (float)(marker_peak[c] * marker[i]);
}

// Raised cosine: 0 at the outer edge, 1 from RB_EDGE_S inwards.
static double edge(size_t i, size_t n, size_t edge_frames)
{
  const size_t from_edge = i < n - 1 - i ? i : n - 1 - i;
  if (from_edge >= edge_frames)
    return 1;
  return 0.5 - 0.5 * cos(RB_PI * ((double)from_edge + 0.5) / (double)edge_frames);
}

rb_status rb_framing_render(const rb_framing *framing, const rb_stimulus *stimulus,
                            const double peak[2], const double marker_peak[2], rb_arena *arena,
                            float *play)
{
  const rb_arena_mark mark = rb_arena_save(arena);
  const size_t n_marker = rb_marker_length(framing->rate_hz);
  double *marker = rb_arena_doubles(arena, n_marker);
  if (!marker)
    return RB_NO_MEM;
  rb_marker_fill(framing->rate_hz, marker);
  memset(play, 0, framing->n_frames * 2 * sizeof *play);
  put_marker(play, framing->marker_start, marker, n_marker, marker_peak);
  put_marker(play, framing->marker_second, marker, n_marker, marker_peak);
  put_marker(play, framing->marker_end, marker, n_marker, marker_peak);
  const size_t n = framing->stimulus_frames, n_edge = frames_of(RB_EDGE_S, framing->rate_hz);
  float *at = play + 2 * framing->stimulus_start;
  for (size_t i = 0; i < n; i++) {
    const double weight = edge(i, n, n_edge);
    at[2 * i] = (float)(weight * peak[0] * stimulus->left[i]);
    at[2 * i + 1] = (float)(weight * peak[1] * stimulus->right[i]);
  }
  rb_arena_rewind(arena, mark);
  return RB_OK;
}

// ---- finding ------------------------------------------------------------------------------------

typedef struct listener {
  const double *samples;
  size_t n;
  const rb_framing *framing;
  rb_arena *arena;
} listener;

typedef struct marker_trio {
  rb_marker first, second, end;
  bool found;
} marker_trio;

// Looks within ± search_s around a place.
static rb_status find_near(const listener *ear, double place, double search_s, rb_marker *marker)
{
  const double reach = search_s * ear->framing->rate_hz;
  const double highest = (double)ear->n - 1;
  *marker = (rb_marker){0};
  if (place + reach < 0 || place - reach > highest)
    return RB_OK;
  const size_t first = place > reach ? (size_t)(place - reach) : 0;
  const size_t last = place + reach < highest ? (size_t)(place + reach) : (size_t)highest;
  return rb_marker_find(ear->samples, ear->n, ear->framing->rate_hz, first, last, ear->arena,
                        marker);
}

// The best marker of a long recording was the one at the end: the pair stands before it.
static rb_status find_pair_before(const listener *ear, const rb_marker *end, marker_trio *trio)
{
  const rb_framing *f = ear->framing;
  const double base = (double)(f->marker_second - f->marker_start);
  const double place = end->position - (double)(f->marker_end - f->marker_second);
  // Near only: wider, either of the pair could be taken for the other.
  RB_TRY(find_near(ear, place, search_pair_s, &trio->second));
  if (!trio->second.found)
    return RB_OK;
  return find_near(ear, trio->second.position - base, search_pair_s, &trio->first);
}

// The best marker of the whole range may be either of the pair.
static rb_status find_pair(const listener *ear, marker_trio *trio)
{
  const rb_framing *f = ear->framing;
  const double base = (double)(f->marker_second - f->marker_start);
  const size_t span = f->marker_end - f->marker_start + rb_marker_length(f->rate_hz);
  const size_t spare = ear->n > span ? ear->n - span : 0;
  rb_marker best, other;
  RB_TRY(
      rb_marker_find(ear->samples, ear->n, f->rate_hz, 0, spare + (size_t)base, ear->arena, &best));
  if (!best.found)
    return RB_OK;
  RB_TRY(find_near(ear, best.position + base, search_pair_s, &other));
  trio->first = best;
  trio->second = other;
  if (other.found)
    return RB_OK;
  RB_TRY(find_near(ear, best.position - base, search_pair_s, &other));
  trio->first = other;
  trio->second = best;
  return other.found ? RB_OK : find_pair_before(ear, &best, trio);
}

static rb_status find_trio(const listener *ear, marker_trio *trio)
{
  const rb_framing *f = ear->framing;
  *trio = (marker_trio){0};
  RB_TRY(find_pair(ear, trio));
  if (!trio->first.found || !trio->second.found)
    return RB_OK;
  const double place = trio->second.position + (double)(f->marker_end - f->marker_second);
  RB_TRY(find_near(ear, place, search_end_s, &trio->end));
  trio->found = trio->end.found;
  return RB_OK;
}

long rb_framing_tolerance(const rb_framing *framing)
{
  return 2 + lround(2e-6 * (double)(framing->marker_end - framing->marker_start));
}

// What the noise around the markers may move the end marker's expected place by, four sigma.
static double noise_tolerance(const marker_trio *trio, double base, double whole)
{
  const double pair = hypot(trio->first.position_uncertainty, trio->second.position_uncertainty);
  return 4 * hypot(trio->end.position_uncertainty, pair * whole / base);
}

static void judge_clock(const rb_framing *f, const marker_trio *trio, rb_located *located)
{
  const double base = (double)(f->marker_second - f->marker_start);
  const double whole = (double)(f->marker_end - f->marker_start);
  const double heard_base = trio->second.position - trio->first.position;
  const double heard_whole = trio->end.position - trio->first.position;
  double stretch = heard_base / base;
  if (fabs(stretch - 1) > 1e-6 * most_clock_ppm)
    stretch = 1; // frames were lost between the pair: the whole distance shows how many
  const double missing = whole * stretch - heard_whole;
  const double tolerance = (double)rb_framing_tolerance(f) + noise_tolerance(trio, base, whole);
  const bool whole_is_good =
      fabs(missing) <= tolerance && fabs(heard_whole / whole - 1) <= 1e-6 * most_clock_ppm;
  if (whole_is_good)
    stretch = heard_whole / whole;
  located->missing_frames = whole_is_good ? 0 : lround(missing);
  located->clock_ppm = 1e6 * (stretch - 1);
  located->latency_s = (trio->first.position - (double)f->marker_start) / f->rate_hz;
  located->stimulus_at =
      trio->second.position + stretch * (double)(f->stimulus_start - f->marker_second);
  located->stimulus_start = located->stimulus_at > 0 ? (size_t)lround(located->stimulus_at) : 0;
  located->found = true;
}

// A channel that hears the markers 20 dB weaker hears the other one's crosstalk.
static void judge_polarity(const marker_trio trio[2], rb_located *located)
{
  for (unsigned c = 0; c < 2; c++) {
    const double other = trio[1 - c].found ? trio[1 - c].first.gain_ratio : 0;
    const bool own = trio[c].found && trio[c].first.gain_ratio > 0.1 * other;
    located->polarity[c] = own ? trio[c].first.polarity : 0;
  }
}

rb_status rb_framing_locate(const rb_framing *framing, const rb_capture *capture, rb_arena *arena,
                            rb_located *located)
{
  *located = (rb_located){0};
  if (capture->n_frames < rb_marker_length(framing->rate_hz))
    return RB_OK;
  const rb_arena_mark mark = rb_arena_save(arena);
  double *samples = rb_arena_doubles(arena, capture->n_frames);
  marker_trio trios[2] = {{.found = false}, {.found = false}};
  rb_status status = samples ? RB_OK : RB_NO_MEM;
  for (unsigned c = 0; c < capture->n_channels && c < 2 && status == RB_OK; c++) {
    rb_capture_channel(capture, c, samples);
    const listener ear = {
        .samples = samples, .n = capture->n_frames, .framing = framing, .arena = arena};
    status = find_trio(&ear, &trios[c]);
  }
  rb_arena_rewind(arena, mark);
  if (status != RB_OK)
    return status;
  const unsigned louder =
      trios[1].found && (!trios[0].found || trios[1].first.gain_ratio > trios[0].first.gain_ratio);
  if (trios[louder].found)
    judge_clock(framing, &trios[louder], located);
  judge_polarity(trios, located);
  return RB_OK;
}

rb_capture rb_framing_cut(const rb_framing *framing, const rb_located *located,
                          const rb_capture *capture, size_t tail_frames)
{
  rb_capture part = *capture;
  const size_t start =
      located->stimulus_start < capture->n_frames ? located->stimulus_start : capture->n_frames;
  const size_t wanted = framing->stimulus_frames + tail_frames;
  const size_t there = capture->n_frames - start;
  part.frames = capture->frames + start * capture->n_channels;
  part.n_frames = wanted < there ? wanted : there;
  return part;
}
