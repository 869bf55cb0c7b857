// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/tone_lines.h"

#include "rollbook/base/units.h"

#include <math.h>

#define FEWEST_PERIODS 3.0
// A slope in the model costs a tone of few periods some of its precision.
#define FEWEST_PERIODS_FOR_SLOPE 20.0
#define NYQUIST_SHARE 0.98
// A point of the noise's spectrum exceeds 20 times its mean once in e²⁰.
#define DETECTED_POWER 20.0
// Against the tone's own power. A tone without noise leaves the rounding of its samples (a float's
// lines lie near 1e-16) and of the arithmetic; what is fainter than this is neither line nor hum.
#define FAINTEST_POWER 1e-18
#define LOBE_BINS 8.0    // a strong line's lobe through the window
#define NEAR_BINS 2.5    // what a line taken off exactly leaves unusable
#define APART_BINS 0.6   // closer lines are not told apart
#define STRONG_POWER 1e4 // over the noise: its lobe shows until it is fitted exactly
#define MAINS_WIDTH 0.01
#define LEAK_SHARE 0.03 // of a line's standard deviation: leaks below that are let be

enum { MOST_ROUNDS = 4, MOST_HUM_MULTIPLE = 20, MOST_OTHERS = 24, MOST_CANDIDATES = 64 };

typedef struct line_search {
  const double *samples;
  size_t n;
  double rate_hz;
  const rb_tone_options *options;
  rb_tone_lines *found;
  rb_arena *arena;
  // what has been taken off the residual, a line each, and the constant
  double taken_cycles[RB_LINES_MOST];
  double complex taken[RB_LINES_MOST];
  size_t n_taken;
  double taken_dc;
  double mask_bins[RB_LINES_MOST];
  size_t n_others;
} line_search;

// ---- lines in and out
// ----------------------------------------------------------------------------

static double cycles_of(const line_search *search, size_t line)
{
  return rb_lines_frequency(&search->found->set, line);
}

// Adds a line to the set and takes what the window shows of it off the residual.
static size_t add_line(line_search *search, rb_line_role role, size_t group, double multiple)
{
  rb_line_set *set = &search->found->set;
  if (set->n_lines == RB_LINES_MOST)
    return RB_NO_LINE;
  const size_t line = set->n_lines++;
  set->line[line] = (rb_line){.group = group, .multiple = multiple};
  search->found->role[line] = role;
  rb_residual *residual = &search->found->residual;
  const double cycles = cycles_of(search, line);
  const double noise = residual->level[rb_residual_point(residual, cycles) / RB_RESIDUAL_CELL];
  const double shown = residual->power[rb_residual_point(residual, cycles)];
  search->taken_cycles[line] = cycles;
  search->taken[line] = rb_residual_amplitude(residual, cycles);
  search->mask_bins[line] = shown > STRONG_POWER * noise ? LOBE_BINS : NEAR_BINS;
  rb_residual_subtract(residual, cycles, search->taken[line]);
  rb_residual_mask(residual, cycles, search->mask_bins[line], 1);
  search->n_taken = set->n_lines;
  return line;
}

// Exchanges what was taken off for what the fit found.
static void take_fitted(line_search *search)
{
  rb_residual *residual = &search->found->residual;
  const rb_line_set *set = &search->found->set;
  for (size_t k = 0; k < search->n_taken; k++)
    rb_residual_subtract(residual, search->taken_cycles[k], -search->taken[k]);
  rb_residual_subtract(residual, 0, search->taken_dc - set->dc);
  search->taken_dc = set->dc;
  rb_residual_unmask(residual);
  for (size_t k = 0; k < set->n_lines; k++) {
    search->taken_cycles[k] = cycles_of(search, k);
    search->taken[k] = CMPLX(set->line[k].cosine, -set->line[k].sine);
    rb_residual_subtract(residual, search->taken_cycles[k], search->taken[k]);
    search->mask_bins[k] = NEAR_BINS;
    rb_residual_mask(residual, search->taken_cycles[k], NEAR_BINS, 1);
  }
  search->n_taken = set->n_lines;
  rb_residual_mask(residual, 0, NEAR_BINS, 1);
}

// A local maximum, not the flank of something beside the range looked at.
static bool is_peak(const rb_residual *residual, size_t point)
{
  return point > 0 && point + 1 < residual->n_points &&
         residual->power[point] >= residual->power[point - 1] &&
         residual->power[point] >= residual->power[point + 1];
}

// Power at a point against the noise around it.
static bool is_detected(const rb_residual *residual, size_t point)
{
  if (!is_peak(residual, point) || !(residual->power[point] > residual->least_power) ||
      !(residual->power[point] > DETECTED_POWER * residual->level[point / RB_RESIDUAL_CELL]))
    return false;
  const double cycles = (double)point / (double)residual->padded;
  const double noise =
      rb_residual_variance_beside(residual, cycles, LOBE_BINS) * residual->power_per_variance;
  return residual->power[point] > DETECTED_POWER * noise;
}

static size_t add_group(line_search *search, double cycles_per_sample, bool fixed)
{
  rb_line_set *set = &search->found->set;
  set->group[set->n_groups] =
      (rb_line_group){.cycles_per_sample = cycles_per_sample, .fixed = fixed};
  return set->n_groups++;
}

// ---- the tone
// ------------------------------------------------------------------------------------

static rb_status find_tone(line_search *search, rb_err *err)
{
  const rb_residual *residual = &search->found->residual;
  const double bin = 1 / (double)search->n,
               expected = search->options->expected_hz / search->rate_hz;
  double low = FEWEST_PERIODS * bin, high = 0.5 * NYQUIST_SHARE;
  if (expected > 0) {
    const double width = fmax(0.02 * expected, 3 * bin);
    low = fmax(low, expected - width);
    high = fmin(high, expected + width);
  }
  const size_t point = low < high ? rb_residual_peak(residual, low, high) : residual->n_points;
  const size_t loudest = rb_residual_peak(residual, 0, 0.5);
  if (!is_detected(residual, point) ||
      residual->power[point] < FAINTEST_POWER * residual->power[loudest]) {
    if (expected > 0)
      return rb_fail(err, RB_NO_SIGNAL,
                     "No tone was found within 2 %% of %g Hz. Check the cables, the level and the "
                     "frequency asked for.",
                     search->options->expected_hz);
    return rb_fail(err, RB_NO_SIGNAL,
                   "No tone stands out of the noise. Check that something was playing.");
  }
  const double cycles = rb_residual_refine(residual, point);
  if (!(cycles * (double)search->n >= FEWEST_PERIODS))
    return rb_fail(err, RB_NO_SIGNAL, "The record holds fewer than three periods of the tone.");
  search->found->residual.least_power = FAINTEST_POWER * residual->power[point];
  add_group(search, cycles, false);
  return RB_OK;
}

static void add_harmonics(line_search *search)
{
  rb_tone_lines *found = search->found;
  const double cycles = found->set.group[0].cycles_per_sample;
  const unsigned most =
      search->options->n_harmonics ? search->options->n_harmonics : RB_TONE_HARMONICS;
  for (unsigned n = 0; n <= RB_TONE_HARMONICS; n++)
    found->harmonic[n] = RB_NO_LINE;
  for (unsigned n = 1; n <= most && n * cycles < 0.5 * NYQUIST_SHARE; n++)
    found->harmonic[n] = add_line(search, RB_LINE_TONE, 0, n);
  rb_residual_measure_levels(&found->residual);
}

static bool is_clear(const line_search *search, double cycles_per_sample, double distance_bins)
{
  for (size_t k = 0; k < search->found->set.n_lines; k++)
    if (fabs(cycles_of(search, k) - cycles_per_sample) * (double)search->n < distance_bins)
      return false;
  return true;
}

// ---- the mains comb
// ------------------------------------------------------------------------------

typedef struct comb_evidence {
  double score;  // Σ ln(power over noise) of the multiples found
  double base;   // cycles per sample, by the multiple with the largest power
  double factor; // that multiple
} comb_evidence;

// Whether a frequency is a multiple of the tone's, fitted or not: no witness for a comb.
static bool is_harmonic(const line_search *search, double cycles_per_sample)
{
  const double base = search->found->set.group[0].cycles_per_sample;
  const double away = cycles_per_sample - base * round(cycles_per_sample / base);
  return fabs(away) * (double)search->n < APART_BINS;
}

static comb_evidence look_for_comb(const line_search *search, double nominal_hz)
{
  const rb_residual *residual = &search->found->residual;
  comb_evidence evidence = {0};
  double strongest = 0;
  for (int multiple = 1; multiple <= RB_TONE_HUM_LINES; multiple++) {
    const double centre = multiple * nominal_hz / search->rate_hz;
    if (centre > 0.5 * NYQUIST_SHARE)
      break;
    const size_t point =
        rb_residual_peak(residual, centre * (1 - MAINS_WIDTH), centre * (1 + MAINS_WIDTH));
    if (!is_detected(residual, point))
      continue;
    const double cycles = rb_residual_refine(residual, point);
    if (fabs(cycles / centre - 1) > MAINS_WIDTH || is_harmonic(search, cycles))
      continue;
    evidence.score += log(residual->power[point] / residual->level[point / RB_RESIDUAL_CELL]);
    if (residual->power[point] > strongest) {
      strongest = residual->power[point];
      evidence.base = cycles / multiple;
      evidence.factor = multiple;
    }
  }
  return evidence;
}

static void add_hum_line(line_search *search, int multiple)
{
  rb_tone_lines *found = search->found;
  const double cycles = multiple * found->set.group[found->hum_group].cycles_per_sample;
  if (cycles > 0.5 * NYQUIST_SHARE || !is_clear(search, cycles, APART_BINS))
    return;
  const size_t line = add_line(search, RB_LINE_HUM, found->hum_group, multiple);
  if (multiple <= RB_TONE_HUM_LINES)
    found->hum[multiple] = line;
}

// A higher multiple that shows sharpens the base; whether it shows is the answer.
static bool sharpen_base(line_search *search, int multiple, double *known_factor)
{
  rb_line_group *comb = &search->found->set.group[search->found->hum_group];
  const rb_residual *residual = &search->found->residual;
  const double centre = multiple * comb->cycles_per_sample;
  const double slack = fmax(1.0, 0.05 * multiple / *known_factor) / (double)search->n;
  if (centre + slack > 0.5 * NYQUIST_SHARE)
    return false;
  const size_t point = rb_residual_peak(residual, centre - slack, centre + slack);
  if (!is_detected(residual, point))
    return false;
  const double cycles = rb_residual_refine(residual, point);
  if (is_harmonic(search, cycles))
    return false;
  if (multiple > *known_factor) {
    comb->cycles_per_sample = cycles / multiple;
    *known_factor = multiple;
  }
  return true;
}

static comb_evidence best_comb(const line_search *search)
{
  static const double usual_hz[] = {50, 60};
  if (search->options->mains_hz > 0)
    return look_for_comb(search, search->options->mains_hz);
  const comb_evidence a = look_for_comb(search, usual_hz[0]);
  const comb_evidence b = look_for_comb(search, usual_hz[1]);
  return b.score > a.score ? b : a;
}

// Once a comb is found its lines 1× to 6× are fitted in any case, so that each has an estimate and
// a floor; higher ones where they show. Returns whether one was found now.
static bool add_hum(line_search *search)
{
  rb_tone_lines *found = search->found;
  if (found->mains_found)
    return false;
  comb_evidence best = best_comb(search);
  if (!(best.score > 0) || found->set.n_groups == RB_LINE_GROUPS_MOST)
    return false;
  found->mains_found = true;
  found->hum_group = add_group(search, best.base, false);
  bool shows[MOST_HUM_MULTIPLE + 1] = {false};
  for (int m = 1; m <= MOST_HUM_MULTIPLE; m++)
    shows[m] = sharpen_base(search, m, &best.factor);
  for (int m = 1; m <= MOST_HUM_MULTIPLE; m++)
    if (m <= RB_TONE_HUM_LINES || shows[m])
      add_hum_line(search, m);
  return true;
}

// ---- other lines
// ---------------------------------------------------------------------------------

typedef struct candidate {
  size_t point;
  double power;
} candidate;

// The strongest local maxima over the noise, strongest first.
static size_t gather_candidates(const rb_residual *residual, candidate *list)
{
  size_t n = 0;
  for (size_t point = 1; point + 1 < residual->n_points; point++) {
    const double power = residual->power[point];
    if (!(power > DETECTED_POWER * residual->level[point / RB_RESIDUAL_CELL]) ||
        residual->mask[point] || !is_peak(residual, point) ||
        (n == MOST_CANDIDATES && power <= list[n - 1].power))
      continue;
    size_t place = n < MOST_CANDIDATES ? n++ : n - 1;
    for (; place > 0 && list[place - 1].power < power; place--)
      list[place] = list[place - 1];
    list[place] = (candidate){.point = point, .power = power};
  }
  return n;
}

// Whether a line of this amplitude would move any line of the set by a share of its own spread. The
// unwindowed fit feels a line d bins away with 1/(π·d) of its amplitude.
static bool would_leak(const line_search *search, double cycles_per_sample, double amplitude)
{
  const rb_residual *residual = &search->found->residual;
  for (size_t k = 0; k < search->found->set.n_lines; k++) {
    const double cycles = cycles_of(search, k);
    const double away_bins = fabs(cycles - cycles_per_sample) * (double)search->n;
    const double variance =
        residual->level[rb_residual_point(residual, cycles) / RB_RESIDUAL_CELL] /
        residual->power_per_variance;
    if (amplitude / (RB_PI * fmax(away_bins, 1)) >
        LEAK_SHARE * sqrt(2 * variance / (double)search->n))
      return true;
  }
  return false;
}

// A harmonic above those asked for belongs to the tone's group, if the set knows it precisely
// enough; anything else gets a frequency of its own.
static void add_other(line_search *search, double cycles_per_sample)
{
  const double base = search->found->set.group[0].cycles_per_sample;
  const double multiple = round(cycles_per_sample / base);
  const double away_bins = fabs(cycles_per_sample - multiple * base) * (double)search->n;
  if (multiple > 1 && away_bins < 0.3) {
    add_line(search, RB_LINE_TONE, 0, multiple);
  } else if (search->n_others < MOST_OTHERS && search->found->set.n_groups < RB_LINE_GROUPS_MOST) {
    search->n_others++;
    add_line(search, RB_LINE_OTHER, add_group(search, cycles_per_sample, false), 1);
  }
}

// Adds up to `most` lines that stand out of the residual and leak, strongest first. Returns how
// many.
static size_t add_others(line_search *search, size_t most)
{
  rb_residual *residual = &search->found->residual;
  candidate list[MOST_CANDIDATES];
  const size_t before = search->found->set.n_lines, n = gather_candidates(residual, list);
  for (size_t i = 0; i < n && search->found->set.n_lines < before + most; i++) {
    const size_t point = list[i].point;
    if (residual->mask[point] || !is_detected(residual, point))
      continue;
    const double cycles = rb_residual_refine(residual, point);
    if (cycles * (double)search->n < NEAR_BINS || cycles > 0.5 * NYQUIST_SHARE ||
        !is_clear(search, cycles, NEAR_BINS))
      continue;
    const double amplitude = cabs(rb_residual_amplitude(residual, cycles));
    if (would_leak(search, cycles, amplitude))
      add_other(search, cycles);
  }
  return search->found->set.n_lines - before;
}

// ---- all together
// --------------------------------------------------------------------------------

static rb_status fit(line_search *search)
{
  return rb_lines_fit(search->samples, search->n, &search->found->set, search->arena);
}

// Back to the lines that were there before, and what was taken off for the later ones put back.
static void restore(line_search *search, const rb_tone_lines *before)
{
  rb_residual *residual = &search->found->residual;
  for (size_t k = before->set.n_lines; k < search->n_taken; k++) {
    rb_residual_subtract(residual, search->taken_cycles[k], -search->taken[k]);
    rb_residual_mask(residual, search->taken_cycles[k], search->mask_bins[k], 0);
  }
  const unsigned n_iterations = search->found->set.n_iterations;
  *search->found = *before;
  search->found->set.n_iterations = n_iterations;
  search->n_taken = before->set.n_lines;
  search->n_others = 0;
  for (size_t k = 0; k < before->set.n_lines; k++)
    search->n_others += before->role[k] == RB_LINE_OTHER;
}

// Whether any line would be added: asked before a fit is spent on it.
static bool shows_others(line_search *search)
{
  const rb_tone_lines before = *search->found;
  const size_t n = add_others(search, 1);
  if (n)
    restore(search, &before);
  return n > 0;
}

// Fits with what else stands out of the residual. Where that does not settle: with the strongest
// few, and at last with nothing more than what was there. `added` says how many lines came in.
static rb_status fit_with_others(line_search *search, size_t *added)
{
  const rb_tone_lines before = *search->found;
  rb_status status = RB_NO_CONVERGENCE;
  for (size_t most = MOST_OTHERS; status == RB_NO_CONVERGENCE; most /= 4) {
    *added = add_others(search, most);
    status = fit(search);
    if (status == RB_NO_CONVERGENCE)
      restore(search, &before);
    if (most == 0)
      break;
  }
  return status;
}

// Fits, and looks at what is left for lines the window hid before, until nothing new shows. A comb
// that keeps the fit from settling is none.
static rb_status fit_in_rounds(line_search *search)
{
  const rb_tone_lines bare = *search->found;
  size_t added = 0;
  add_hum(search);
  rb_status status = fit_with_others(search, &added);
  if (status == RB_NO_CONVERGENCE && search->found->mains_found) {
    restore(search, &bare);
    status = fit_with_others(search, &added);
  }
  for (int round = 1; round < MOST_ROUNDS && status == RB_OK; round++) {
    take_fitted(search);
    rb_residual_measure_levels(&search->found->residual);
    const rb_tone_lines before = *search->found;
    const bool new_hum = add_hum(search);
    if (!new_hum && !shows_others(search))
      return RB_OK;
    status = fit_with_others(search, &added);
    if (status == RB_NO_CONVERGENCE) {
      restore(search, &before);
      return RB_OK;
    }
    if (!new_hum && added == 0)
      break;
  }
  if (status == RB_OK)
    take_fitted(search);
  return status;
}

static void measure_noise(line_search *search)
{
  rb_residual *residual = &search->found->residual;
  rb_line_set *set = &search->found->set;
  rb_residual_measure_levels(residual);
  for (size_t k = 0; k < set->n_lines; k++)
    set->line[k].noise_variance =
        rb_residual_variance_beside(residual, cycles_of(search, k), NEAR_BINS);
  set->dc_noise_variance = rb_residual_variance_beside(residual, 0, NEAR_BINS);
}

// The unwindowed fit is the sharper one, but a step at the record's edge (an offset still settling)
// leaks into it; the windowed transform is deaf to edges. Where the two differ by more than noise
// explains once in 10⁴, the windowed one is believed, at its larger spread (the idea of
// J. A. Hausman, Econometrica 46(6), 1978). The tone itself keeps its fit.
static void correct_by_window(line_search *search)
{
  rb_residual *residual = &search->found->residual;
  rb_line_set *set = &search->found->set;
  const double enbw_bins = residual->power_per_variance / (double)search->n;
  for (size_t k = 1; k < set->n_lines; k++) {
    rb_line *line = &set->line[k];
    const double cycles = cycles_of(search, k);
    bool alone = cycles * (double)search->n > LOBE_BINS;
    for (size_t other = 0; other < set->n_lines; other++)
      alone = alone && (other == k ||
                        fabs(cycles_of(search, other) - cycles) * (double)search->n > LOBE_BINS);
    if (!alone)
      continue;
    const double complex rest = rb_residual_amplitude(residual, cycles);
    const double part = 2 * line->noise_variance * (enbw_bins - 1) / (double)search->n;
    if (creal(rest * conj(rest)) < 2 * part * log(1e4))
      continue;
    line->cosine += creal(rest);
    line->sine -= cimag(rest);
    line->noise_variance *= enbw_bins;
    rb_residual_subtract(residual, cycles, rest);
  }
}

rb_status rb_tone_lines_find(const double *samples, size_t n, double rate_hz,
                             const rb_tone_options *options, rb_arena *arena, rb_tone_lines *lines,
                             rb_err *err)
{
  *lines = (rb_tone_lines){0};
  for (int m = 0; m <= RB_TONE_HUM_LINES; m++)
    lines->hum[m] = RB_NO_LINE;
  line_search search = {.samples = samples,
                        .n = n,
                        .rate_hz = rate_hz,
                        .options = options,
                        .found = lines,
                        .arena = arena};
  rb_status status = rb_residual_make(samples, n, arena, &lines->residual);
  if (status != RB_OK)
    return rb_fail(err, status, "Out of memory in the tone analysis.");
  search.taken_dc = creal(rb_residual_amplitude(&lines->residual, 0));
  rb_residual_subtract(&lines->residual, 0, search.taken_dc);
  rb_residual_measure_levels(&lines->residual);
  RB_TRY(find_tone(&search, err));
  add_harmonics(&search);
  lines->set.has_slope =
      lines->set.group[0].cycles_per_sample * (double)n > FEWEST_PERIODS_FOR_SLOPE;
  status = fit_in_rounds(&search);
  if (status == RB_NO_CONVERGENCE)
    return rb_fail(err, status,
                   "The signal could not be fitted as a steady tone: its frequency or level moves, "
                   "or other tones lie too close to it.");
  if (status != RB_OK)
    return rb_fail(err, status, "Out of memory in the tone analysis.");
  measure_noise(&search);
  correct_by_window(&search);
  return RB_OK;
}
