// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/tone.h"

#include "rollbook/base/units.h"
#include "rollbook/dsp/tone_lines.h"
#include "rollbook/dsp/window.h"

#include <math.h>
#include <string.h>

// From the fitted lines and their covariance to the figures people ask for.

#define FLOOR_FACTOR 2.4477     // √(−2·ln 0.05): 95 % of a noise-only amplitude, in its σ
#define TWO_SIDED_FACTOR 1.9600 // 95 % of |a normal deviate|
#define QUANTILE_95 1.6449
#define EDGE_SLACK 1e-3
#define LOBE_BINS 8.0
#define DETECTED_POWER 20.0

enum { FEWEST_SAMPLES = 256 };

typedef struct tone_figures {
  const rb_tone_options *options;
  const rb_tone_lines *lines;
  double rate_hz;
  size_t n, n_parameters;
  double *covariance;
  double *gradient; // scratch: of the quantity at hand in the fitted parameters
  double fundamental;
} tone_figures;

// ---- first-order propagation
// ---------------------------------------------------------------------

static double amplitude_of(const tone_figures *figures, size_t line)
{
  const rb_line *l = &figures->lines->set.line[line];
  return hypot(l->cosine, l->sine);
}

// Angle of the line's cosine at the record's centre.
static double angle_of(const tone_figures *figures, size_t line)
{
  const rb_line *l = &figures->lines->set.line[line];
  return atan2(-l->sine, l->cosine);
}

static void clear(const tone_figures *figures)
{
  memset(figures->gradient, 0, figures->n_parameters * sizeof(double));
}

// The quantity moves by `weight` per unit of the line's amplitude.
static void depends_on_amplitude(const tone_figures *figures, size_t line, double weight)
{
  const rb_line *l = &figures->lines->set.line[line];
  double *place = figures->gradient + rb_lines_cosine_index(&figures->lines->set, line);
  const double size = fmax(amplitude_of(figures, line), 1e-300);
  place[0] += weight * l->cosine / size;
  place[1] += weight * l->sine / size;
}

// The quantity moves by `weight` per radian of the line's angle.
static void depends_on_angle(const tone_figures *figures, size_t line, double weight)
{
  const rb_line *l = &figures->lines->set.line[line];
  double *place = figures->gradient + rb_lines_cosine_index(&figures->lines->set, line);
  const double size = fmax(amplitude_of(figures, line), 1e-150);
  place[0] += weight * l->sine / (size * size);
  place[1] -= weight * l->cosine / (size * size);
}

static void depends_on_frequency(const tone_figures *figures, size_t group, double weight)
{
  const size_t index = rb_lines_frequency_index(&figures->lines->set, group);
  if (index < figures->n_parameters)
    figures->gradient[index] += weight;
}

// √(gᵀ·C·g)
static double propagated(const tone_figures *figures)
{
  double sum = 0;
  for (size_t i = 0; i < figures->n_parameters; i++) {
    if (figures->gradient[i] == 0)
      continue;
    const double *row = figures->covariance + i * figures->n_parameters;
    double inner = 0;
    for (size_t k = 0; k < figures->n_parameters; k++)
      inner += row[k] * figures->gradient[k];
    sum += figures->gradient[i] * inner;
  }
  return sqrt(fmax(0, sum));
}

// Variance of a line's cosine and sine part, mean of the two.
static double part_variance(const tone_figures *figures, size_t line)
{
  const size_t i = rb_lines_cosine_index(&figures->lines->set, line), p = figures->n_parameters;
  return 0.5 * (figures->covariance[i * p + i] + figures->covariance[(i + 1) * p + i + 1]);
}

static rb_estimate without_floor(double value, double uncertainty)
{
  return (rb_estimate){.value = value, .uncertainty = uncertainty, .resolved = true};
}

static rb_estimate with_floor(double value, double uncertainty, double floor_value)
{
  return (rb_estimate){.value = value,
                       .uncertainty = uncertainty,
                       .floor = floor_value,
                       .resolved = fabs(value) > floor_value};
}

static rb_estimate scaled(rb_estimate estimate, double factor)
{
  estimate.value *= factor;
  estimate.uncertainty *= factor;
  estimate.floor *= factor;
  return estimate;
}

static rb_estimate line_amplitude(const tone_figures *figures, size_t line)
{
  clear(figures);
  depends_on_amplitude(figures, line, 1);
  return with_floor(amplitude_of(figures, line), propagated(figures),
                    FLOOR_FACTOR * sqrt(part_variance(figures, line)));
}

// ---- the tone itself
// -----------------------------------------------------------------------------

static void fill_fundamental(const tone_figures *figures, rb_tone *tone)
{
  const rb_line_set *set = &figures->lines->set;
  const size_t line = figures->lines->harmonic[1];
  const double centre = 0.5 * ((double)figures->n - 1);
  clear(figures);
  depends_on_frequency(figures, 0, 1);
  tone->frequency_hz = without_floor(set->group[0].cycles_per_sample * figures->rate_hz,
                                     propagated(figures) * figures->rate_hz);
  tone->amplitude = line_amplitude(figures, line);
  tone->rms = scaled(tone->amplitude, sqrt(0.5));
  // back from the centre to the first sample
  const double cycles = set->group[0].cycles_per_sample * centre;
  clear(figures);
  depends_on_angle(figures, line, 1);
  depends_on_frequency(figures, 0, -2 * RB_PI * centre);
  tone->phase_deg = without_floor(
      rb_fold_deg(rb_deg_from_rad(angle_of(figures, line)) - 360 * (cycles - floor(cycles))),
      rb_deg_from_rad(propagated(figures)));
  clear(figures);
  figures->gradient[0] = 1;
  const double dc_uncertainty = propagated(figures);
  tone->dc = with_floor(set->dc, dc_uncertainty, TWO_SIDED_FACTOR * dc_uncertainty);
  tone->density_at_tone_per_hz = set->line[line].noise_variance / (0.5 * figures->rate_hz);
}

static bool is_in_band(const tone_figures *figures, double hz)
{
  return hz >= figures->options->band_low_hz * (1 - EDGE_SLACK) &&
         hz <= figures->options->band_high_hz * (1 + EDGE_SLACK);
}

static double line_hz(const tone_figures *figures, size_t line)
{
  return rb_lines_frequency(&figures->lines->set, line) * figures->rate_hz;
}

// φ_n − n·φ_1 in radians.
static double relative_angle(const tone_figures *figures, unsigned n)
{
  const double base = angle_of(figures, figures->lines->harmonic[1]);
  return angle_of(figures, figures->lines->harmonic[n]) - n * base;
}

static void fill_harmonic(const tone_figures *figures, unsigned n, rb_harmonic *harmonic)
{
  const size_t line = figures->lines->harmonic[n], base = figures->lines->harmonic[1];
  if (line == RB_NO_LINE)
    return;
  harmonic->present = true;
  harmonic->in_band = is_in_band(figures, line_hz(figures, line));
  harmonic->amplitude = line_amplitude(figures, line);
  const double ratio = harmonic->amplitude.value / figures->fundamental;
  clear(figures);
  depends_on_amplitude(figures, line, 1 / figures->fundamental);
  depends_on_amplitude(figures, base, -ratio / figures->fundamental);
  harmonic->ratio =
      with_floor(ratio, propagated(figures), harmonic->amplitude.floor / figures->fundamental);
  clear(figures);
  depends_on_angle(figures, line, 1);
  depends_on_angle(figures, base, -(double)n);
  const double uniform_deg = 180 / sqrt(3); // nothing is known
  harmonic->phase_deg =
      (rb_estimate){.value = rb_fold_deg(rb_deg_from_rad(relative_angle(figures, n))),
                    .uncertainty = fmin(uniform_deg, rb_deg_from_rad(propagated(figures))),
                    .resolved = harmonic->amplitude.resolved};
}

static void fill_signed(const tone_figures *figures, rb_tone *tone)
{
  if (!tone->harmonic[2].present)
    return;
  const size_t line = figures->lines->harmonic[2], base = figures->lines->harmonic[1];
  const double ratio = tone->harmonic[2].ratio.value, angle = relative_angle(figures, 2);
  clear(figures);
  depends_on_amplitude(figures, line, cos(angle) / figures->fundamental);
  depends_on_amplitude(figures, base, -ratio * cos(angle) / figures->fundamental);
  depends_on_angle(figures, line, -ratio * sin(angle));
  depends_on_angle(figures, base, 2 * ratio * sin(angle));
  const double part = sqrt(part_variance(figures, line)) / figures->fundamental;
  tone->h2_signed_ratio =
      with_floor(ratio * cos(angle), propagated(figures), TWO_SIDED_FACTOR * part);
}

// ---- sums of squares
// -----------------------------------------------------------------------------

// A sum of mean squares of lines, the noise's own share taken off.
typedef struct power_sum {
  double value, variance;
  double noise, noise_squared; // Σσ², Σσ⁴ of the lines' parts: what the sum is from noise alone
} power_sum;

static void add_power(const tone_figures *figures, size_t line, power_sum *sum)
{
  const double part = part_variance(figures, line), size = amplitude_of(figures, line);
  sum->value += 0.5 * size * size - part;
  sum->variance += size * size * part + part * part;
  sum->noise += part;
  sum->noise_squared += part * part;
}

// 95 % point of what noise alone gives for the sum, as a power: χ² by Wilson and Hilferty, Proc.
// Nat. Acad. Sci. 17, 1931, with the degrees of freedom that fit unequal shares.
static double power_floor(const power_sum *sum)
{
  if (!(sum->noise > 0))
    return 0;
  const double pairs = sum->noise * sum->noise / sum->noise_squared, part = 1 / (9 * pairs);
  const double root = 1 - part + QUANTILE_95 * sqrt(part);
  return sum->noise * (root * root * root - 1);
}

// √(power)/reference with the uncertainty of both; `relative` is the reference's.
static rb_estimate root_ratio(double power, double variance, double floor_power, double reference,
                              double relative)
{
  const double value = sqrt(fmax(0, power)) / reference;
  const double floor_value = sqrt(fmax(0, floor_power)) / reference;
  // where the sum is within its noise its root is only known to lie below the floor
  const double root = fmax(value, floor_value / 2) * reference * reference;
  const double own = root > 0 ? sqrt(variance) / (2 * root) : 0;
  return with_floor(value, hypot(own, value * relative), floor_value);
}

static void fill_sums(const tone_figures *figures, rb_tone *tone)
{
  power_sum all = {0}, even = {0}, odd = {0};
  for (unsigned n = 2; n <= RB_TONE_HARMONICS; n++)
    if (tone->harmonic[n].present && tone->harmonic[n].in_band) {
      add_power(figures, figures->lines->harmonic[n], &all);
      add_power(figures, figures->lines->harmonic[n], n % 2 ? &odd : &even);
    }
  const double reference = tone->rms.value, relative = tone->rms.uncertainty / tone->rms.value;
  tone->thd_ratio = root_ratio(all.value, all.variance, power_floor(&all), reference, relative);
  tone->even_ratio = root_ratio(even.value, even.variance, power_floor(&even), reference, relative);
  tone->odd_ratio = root_ratio(odd.value, odd.variance, power_floor(&odd), reference, relative);
  // re total: r = f/√(1 + f²), dr/df = (1 + f²)^(−3/2)
  const double f = tone->thd_ratio.value, root = sqrt(1 + f * f);
  tone->thd_total_ratio = with_floor(f / root, tone->thd_ratio.uncertainty / (root * root * root),
                                     tone->thd_ratio.floor / root);
}

// ---- noise
// ---------------------------------------------------------------------------------------

// Power at a frequency in the residual, if it stands out of the noise; masks it then. For lines too
// weak or too many to be fitted.
static double take_unfitted(rb_residual *residual, double cycles)
{
  const size_t point = rb_residual_point(residual, cycles);
  if (residual->mask[point])
    return 0;
  const double noise = residual->level[point / RB_RESIDUAL_CELL];
  if (!(residual->power[point] > DETECTED_POWER * noise))
    return 0;
  const double size = cabs(rb_residual_amplitude(residual, cycles));
  rb_residual_mask(residual, cycles, LOBE_BINS, 2);
  return 0.5 * size * size;
}

// Multiples of a group's frequency that were not fitted, up to the band's upper edge.
static double unfitted_multiples(const tone_figures *figures, rb_residual *residual, size_t group)
{
  const double base = figures->lines->set.group[group].cycles_per_sample;
  double sum = 0;
  for (double multiple = 1; multiple * base < 0.49; multiple++) {
    const double hz = multiple * base * figures->rate_hz;
    if (is_in_band(figures, hz))
      sum += take_unfitted(residual, multiple * base);
    else if (hz > figures->options->band_high_hz)
      break;
  }
  return sum;
}

// Of the fitted lines in the band with this role, but for the tone itself.
static power_sum fitted_power(const tone_figures *figures, rb_line_role role)
{
  const rb_tone_lines *lines = figures->lines;
  power_sum sum = {0};
  for (size_t k = 0; k < lines->set.n_lines; k++)
    if (lines->role[k] == role && k != lines->harmonic[1] &&
        is_in_band(figures, line_hz(figures, k)))
      add_power(figures, k, &sum);
  return sum;
}

// Ripple of the supply shakes the stages' gain: lines stand beside the tone and its harmonics, off
// by multiples of the mains frequency. They are neither noise nor hum.
enum { SIDEBAND_CARRIERS = 3, SIDEBAND_ORDERS = 6 };

typedef struct sidebands {
  bool taken[RB_LINES_MOST];
  power_sum fitted;
  double unfitted;
} sidebands;

// Peak amplitude of the line at this frequency; it is taken once. Beside a tone near a multiple of
// the mains frequency the sidebands meet multiples of the hum; those above the reported ones are
// far weaker, so the line counts as a sideband.
static double take_sideband(const tone_figures *figures, rb_residual *residual, double hz,
                            double lowest_hz, sidebands *sides)
{
  const rb_tone_lines *lines = figures->lines;
  const double reach_hz = 0.6 * figures->rate_hz / (double)figures->n;
  if (!is_in_band(figures, hz) || hz >= 0.49 * figures->rate_hz || hz < lowest_hz)
    return 0;
  for (size_t k = 0; k < lines->set.n_lines; k++) {
    if (lines->role[k] == RB_LINE_TONE || fabs(line_hz(figures, k) - hz) > reach_hz)
      continue;
    if (sides->taken[k])
      return 0;
    sides->taken[k] = true;
    if (lines->role[k] == RB_LINE_OTHER)
      add_power(figures, k, &sides->fitted);
    return amplitude_of(figures, k);
  }
  const double power = take_unfitted(residual, hz / figures->rate_hz);
  sides->unfitted += power;
  return sqrt(2 * power);
}

static void fill_hum_on_tone(const tone_figures *figures, rb_residual *residual, sidebands *sides,
                             rb_tone *tone)
{
  const double lowest_hz = (RB_TONE_HUM_LINES + 0.5) * tone->mains_hz.value;
  double squares = 0;
  for (int carrier = 1; carrier <= SIDEBAND_CARRIERS; carrier++)
    for (int order = 1; order <= SIDEBAND_ORDERS; order++) {
      const double away_hz = order * tone->mains_hz.value;
      const double at_hz = carrier * tone->frequency_hz.value;
      const double pair = take_sideband(figures, residual, at_hz - away_hz, lowest_hz, sides) +
                          take_sideband(figures, residual, at_hz + away_hz, lowest_hz, sides);
      if (carrier == 1)
        squares += pair * pair;
    }
  // One line's amplitude has the variance 2σ²/n; a pair's sum twice that.
  const double sd = sqrt(4 * figures->lines->set.line[figures->lines->harmonic[1]].noise_variance /
                         (double)figures->n);
  tone->hum_on_tone_ratio =
      with_floor(sqrt(squares) / figures->fundamental, sd / figures->fundamental,
                 FLOOR_FACTOR * sd / figures->fundamental);
}

static void fill_noise(const tone_figures *figures, rb_residual *residual, rb_tone *tone)
{
  const power_sum harmonics = fitted_power(figures, RB_LINE_TONE);
  const power_sum hum = fitted_power(figures, RB_LINE_HUM);
  const power_sum others = fitted_power(figures, RB_LINE_OTHER);
  double named = harmonics.value + hum.value;
  named += unfitted_multiples(figures, residual, 0);
  sidebands sides = {0};
  if (figures->lines->mains_found) {
    fill_hum_on_tone(figures, residual, &sides, tone);
    named += unfitted_multiples(figures, residual, figures->lines->hum_group);
    named += sides.fitted.value + sides.unfitted;
  }
  double noise = 0, variance = 0;
  const double high_hz = fmin(figures->options->band_high_hz, 0.5 * figures->rate_hz);
  rb_residual_mean_square(residual, figures->options->band_low_hz / figures->rate_hz,
                          high_hz / figures->rate_hz, &noise, &variance);
  noise += fmax(0, others.value - sides.fitted.value);
  variance += fmax(0, others.variance - sides.fitted.variance);
  tone->noise_rms = without_floor(sqrt(noise), noise > 0 ? sqrt(variance) / (2 * sqrt(noise)) : 0);
  const double relative = tone->rms.uncertainty / tone->rms.value;
  tone->thd_n_ratio = root_ratio(
      noise + named, variance + harmonics.variance + hum.variance + sides.fitted.variance, 0,
      tone->rms.value, relative);
  const double f = tone->thd_n_ratio.value, root = sqrt(1 + f * f);
  tone->thd_n_total_ratio =
      without_floor(f / root, tone->thd_n_ratio.uncertainty / (root * root * root));
  tone->sinad_db = without_floor(-rb_db_from_ratio(tone->thd_n_total_ratio.value),
                                 f > 0 ? 20 / log(10) * tone->thd_n_total_ratio.uncertainty /
                                             tone->thd_n_total_ratio.value
                                       : 0);
}

// ---- mains
// ---------------------------------------------------------------------------------------

// A multiple that was not fitted because no comb was found: what the residual shows at its nominal
// frequency, through the window.
static rb_estimate unfitted_hum(const tone_figures *figures, double cycles)
{
  const rb_residual *residual = &figures->lines->residual;
  const double enbw_bins = rb_window_enbw_bins(rb_window_get(RB_WINDOW_ALBRECHT_7), figures->n);
  const double variance = rb_residual_variance_beside(residual, cycles, 0);
  const double part = sqrt(2 * variance * enbw_bins / (double)figures->n);
  return with_floor(cabs(rb_residual_amplitude(residual, cycles)), part, FLOOR_FACTOR * part);
}

static void fill_hum(const tone_figures *figures, rb_tone *tone)
{
  const rb_tone_lines *lines = figures->lines;
  tone->mains_found = lines->mains_found;
  if (lines->mains_found) {
    clear(figures);
    depends_on_frequency(figures, lines->hum_group, 1);
    tone->mains_hz =
        without_floor(lines->set.group[lines->hum_group].cycles_per_sample * figures->rate_hz,
                      propagated(figures) * figures->rate_hz);
  }
  const double nominal_hz = figures->options->mains_hz > 0 ? figures->options->mains_hz : 50;
  for (size_t m = 1; m <= RB_TONE_HUM_LINES; m++) {
    const double cycles = (double)m * nominal_hz / figures->rate_hz;
    rb_hum *hum = &tone->hum[m];
    if (lines->hum[m] != RB_NO_LINE) {
      *hum = (rb_hum){.present = true, .amplitude = line_amplitude(figures, lines->hum[m])};
    } else if (!lines->mains_found && cycles < 0.49 &&
               !lines->residual.mask[rb_residual_point(&lines->residual, cycles)]) {
      *hum = (rb_hum){.present = true, .amplitude = unfitted_hum(figures, cycles)};
    }
  }
}

// ---- the door
// ------------------------------------------------------------------------------------

static rb_status check(const double *samples, size_t n, double rate_hz,
                       const rb_tone_options *options, rb_err *err)
{
  if (n < FEWEST_SAMPLES)
    return rb_fail(err, RB_BAD_ARG, "%zu samples are too few for a tone analysis: it needs %d.", n,
                   FEWEST_SAMPLES);
  if (!(rate_hz > 0) || !isfinite(rate_hz))
    return rb_fail(err, RB_BAD_ARG, "A sample rate of %g Hz makes no sense.", rate_hz);
  if (!(options->band_low_hz >= 0 && options->band_high_hz > options->band_low_hz &&
        options->band_low_hz < 0.5 * rate_hz) ||
      !(options->expected_hz >= 0 && options->expected_hz < 0.5 * rate_hz) ||
      !(options->mains_hz >= 0 && options->mains_hz < 1000) ||
      options->n_harmonics > RB_TONE_HARMONICS || options->n_harmonics == 1)
    return rb_fail(
        err, RB_BAD_ARG,
        "The tone's settings make no sense at %g Hz: tone %g Hz, band %g to %g Hz, mains "
        "%g Hz, %u harmonics.",
        rate_hz, options->expected_hz, options->band_low_hz, options->band_high_hz,
        options->mains_hz, options->n_harmonics);
  for (size_t j = 0; j < n; j++)
    if (!isfinite(samples[j]))
      return rb_fail(err, RB_BAD_ARG, "Sample %zu is not a finite number.", j);
  return RB_OK;
}

rb_tone_options rb_tone_options_default(void)
{
  return (rb_tone_options){
      .n_harmonics = RB_TONE_HARMONICS, .band_low_hz = 20, .band_high_hz = 20000};
}

static rb_status fill_all(tone_figures *figures, rb_tone_lines *lines, rb_arena *arena,
                          rb_tone *tone, rb_err *err)
{
  figures->n_parameters = rb_lines_n_parameters(&lines->set);
  figures->covariance = rb_arena_doubles(arena, figures->n_parameters * figures->n_parameters);
  figures->gradient = rb_arena_doubles(arena, figures->n_parameters);
  if (!figures->covariance || !figures->gradient)
    return rb_fail(err, RB_NO_MEM, "Out of memory in the tone analysis.");
  const rb_status status = rb_lines_covariance(&lines->set, figures->n, arena, figures->covariance);
  if (status != RB_OK)
    return rb_fail(err, status, "The lines of the signal lie too close to be told apart.");
  figures->fundamental = amplitude_of(figures, lines->harmonic[1]);
  fill_fundamental(figures, tone);
  for (unsigned n = 2; n <= RB_TONE_HARMONICS; n++)
    fill_harmonic(figures, n, &tone->harmonic[n]);
  fill_signed(figures, tone);
  fill_sums(figures, tone);
  fill_hum(figures, tone);
  fill_noise(figures, &lines->residual, tone);
  tone->n_lines = lines->set.n_lines;
  tone->n_iterations = lines->set.n_iterations;
  return RB_OK;
}

rb_status rb_tone_analyse(const double *samples, size_t n, double rate_hz,
                          const rb_tone_options *options, rb_arena *arena, rb_tone *tone,
                          rb_err *err)
{
  *tone = (rb_tone){0};
  RB_TRY(check(samples, n, rate_hz, options, err));
  const rb_arena_mark mark = rb_arena_save(arena);
  rb_tone_lines lines;
  rb_status status = rb_tone_lines_find(samples, n, rate_hz, options, arena, &lines, err);
  if (status == RB_OK) {
    tone_figures figures = {.options = options, .lines = &lines, .rate_hz = rate_hz, .n = n};
    status = fill_all(&figures, &lines, arena, tone, err);
  }
  rb_arena_rewind(arena, mark);
  return status;
}
