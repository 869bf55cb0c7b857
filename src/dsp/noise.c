// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/dsp/noise.h"

#include "blocks.h"

#include "rollbook/base/error.h"
#include "rollbook/base/units.h"
#include "rollbook/dsp/comb.h"
#include "rollbook/dsp/response.h"
#include "rollbook/dsp/spectrum.h"
#include "rollbook/dsp/weighting.h"

#include <math.h>

static const double BLOCK_S = 10, LEAST_BLOCK_S = 1;
static const double BAND_LOW_HZ = 20, BAND_HIGH_HZ = 20000, SLOPE_HIGH_HZ = 1000;
enum { CELLS_PER_OCTAVE = 24 };

struct rb_noise_meter {
  rb_arena *arena;
  double rate_hz, search_low_hz, search_high_hz;
  blocks waiting;
  size_t n_taken;                            // samples in the figures below
  size_t segment;                            // of the averaged spectrum
  double *density;                           // Σ density·samples of the block, segment/2 + 1
  double base_sum, base_weight, base_square; // of the blocks' mains frequencies, by information
  size_t n_blocks, n_found;
  double line_power[RB_COMB_LINES + 1]; // Σ mean square of each line, noise taken off
  double line_noise[RB_COMB_LINES + 1]; // Σ mean square that noise adds to it
};

rb_status rb_noise_meter_new(double rate_hz, double mains_hz, rb_arena *arena,
                             rb_noise_meter **meter)
{
  if (!(rate_hz >= 8000) || !(rate_hz <= 400000))
    return RB_BAD_ARG;
  rb_noise_meter *m = rb_arena_alloc(arena, 1, sizeof *m);
  if (m == NULL)
    return RB_NO_MEM;
  m->arena = arena;
  m->rate_hz = rate_hz;
  m->search_low_hz = mains_hz > 0 ? mains_hz - 1 : 45;
  m->search_high_hz = mains_hz > 0 ? mains_hz + 1 : 65;
  RB_TRY(blocks_new((size_t)lround(BLOCK_S * rate_hz), arena, &m->waiting));
  m->segment = (size_t)exp2(round(log2(0.68 * rate_hz)));
  m->density = rb_arena_doubles(arena, m->segment / 2 + 1);
  if (m->density == NULL)
    return RB_NO_MEM;
  *meter = m;
  return RB_OK;
}

static void take_comb(rb_noise_meter *m, const rb_comb *comb, double share)
{
  m->n_blocks++;
  for (size_t line = 1; line <= comb->n_lines; line++) {
    const double noise = comb->noise_rms[line] * comb->noise_rms[line];
    const double peak_square =
        comb->cosine[line] * comb->cosine[line] + comb->sine[line] * comb->sine[line];
    m->line_power[line] += share * (0.5 * peak_square - noise);
    m->line_noise[line] += share * noise;
  }
  if (!comb->found)
    return;
  const double weight = 1 / (comb->base_uncertainty_hz * comb->base_uncertainty_hz);
  m->n_found++;
  m->base_weight += weight;
  m->base_sum += weight * comb->base_hz;
  m->base_square += weight * comb->base_hz * comb->base_hz;
}

/// Hum off, then into the averages.
static rb_status take_block(void *meter)
{
  rb_noise_meter *m = meter;
  const size_t n = m->waiting.n_waiting;
  const rb_arena_mark scratch = rb_arena_save(m->arena);
  double *density = rb_arena_doubles(m->arena, m->segment / 2 + 1);
  rb_comb comb;
  rb_status status = density == NULL ? RB_NO_MEM : RB_OK;
  if (status == RB_OK)
    status = rb_comb_fit(m->waiting.samples, n, m->rate_hz, m->search_low_hz, m->search_high_hz,
                         m->arena, &comb);
  if (status == RB_OK) {
    rb_comb_subtract(&comb, m->rate_hz, m->waiting.samples, n);
    const rb_welch welch = {
        .segment = m->segment, .step = m->segment / 2, .window = RB_WINDOW_HANN};
    status = rb_welch_density(m->waiting.samples, n, m->rate_hz, &welch, m->arena, density);
  }
  if (status == RB_OK) {
    for (size_t k = 0; k <= m->segment / 2; k++)
      m->density[k] += density[k] * (double)n;
    take_comb(m, &comb, (double)n);
    m->n_taken += n;
  }
  rb_arena_rewind(m->arena, scratch);
  return status;
}

rb_status rb_noise_meter_add(rb_noise_meter *meter, const double *samples, size_t n)
{
  return blocks_add(&meter->waiting, samples, n, take_block, meter);
}

// ---- reading
// -------------------------------------------------------------------------------------

/// Σ weighted density over the band, plus the comb's lines where asked for.
static rb_noise_level level(const rb_noise_meter *m, rb_weighting weighting, bool with_hum)
{
  const double bin_hz = m->rate_hz / (double)m->segment;
  double power = 0, squares = 0;
  for (size_t k = (size_t)ceil(BAND_LOW_HZ / bin_hz);
       k <= m->segment / 2 && (double)k * bin_hz <= BAND_HIGH_HZ; k++) {
    const double gain = rb_weighting_gain(weighting, (double)k * bin_hz);
    const double density = gain * gain * m->density[k] / (double)m->n_taken;
    power += density * bin_hz;
    squares += density * density * bin_hz;
  }
  // Power of Gaussian noise measured for T seconds: variance ∫S²df/T.
  const double variance = squares * m->rate_hz / (double)m->n_taken;
  for (size_t line = 1; with_hum && m->n_found > 0 && line <= RB_COMB_LINES; line++) {
    const double gain = rb_weighting_gain(weighting, (double)line * m->base_sum / m->base_weight);
    power += gain * gain * fmax(0, m->line_power[line] / (double)m->n_taken);
  }
  return (rb_noise_level){.rms = sqrt(power),
                          .relative_uncertainty = power > 0 ? 0.5 * sqrt(variance) / power : 0};
}

static void read_mains(const rb_noise_meter *m, rb_noise *noise)
{
  noise->mains_found = m->n_found > 0;
  if (!noise->mains_found)
    return;
  noise->mains_hz = m->base_sum / m->base_weight;
  const double spread =
      fmax(0, m->base_square / m->base_weight - noise->mains_hz * noise->mains_hz);
  noise->mains_uncertainty_hz = sqrt(1 / m->base_weight + spread / (double)m->n_found);
}

static void read_lines(const rb_noise_meter *m, rb_noise *noise)
{
  const double n_blocks = (double)m->n_blocks;
  double sums[2] = {0};
  for (size_t line = 1; line <= RB_HUM_LINES; line++) {
    const double power = m->line_power[line] / (double)m->n_taken;
    const double noise_power = m->line_noise[line] / (double)m->n_taken;
    rb_estimate *rms = &noise->line_rms[line];
    rms->value = sqrt(fmax(0, power));
    // Noise alone: a mean of `blocks` exponentials; 95 % of one lie below 3 times its mean.
    rms->floor = sqrt(noise_power * (1 + 2 / sqrt(n_blocks)));
    rms->uncertainty = sqrt(noise_power / (2 * n_blocks));
    rms->resolved = noise->mains_found && power + noise_power > rms->floor * rms->floor;
    if (rms->resolved)
      sums[line % 2] += power;
  }
  noise->even_rms = sqrt(sums[0]);
  noise->odd_rms = sqrt(sums[1]);
}

/// Means over cells of 1/24 octave, or single bins where those are wider.
static rb_status read_density(const rb_noise_meter *m, rb_arena *arena, rb_noise *noise)
{
  const double bin_hz = m->rate_hz / (double)m->segment;
  const double highest_hz = fmin(BAND_HIGH_HZ, 0.49 * m->rate_hz);
  const size_t most = (size_t)(highest_hz / bin_hz) + 1;
  double *hz = rb_arena_doubles(arena, most), *density = rb_arena_doubles(arena, most);
  if (hz == NULL || density == NULL)
    return RB_NO_MEM;
  size_t n = 0, k = (size_t)ceil(BAND_LOW_HZ / bin_hz);
  while ((double)k * bin_hz <= highest_hz) {
    const double first_hz = (double)k * bin_hz;
    double sum = 0, end_hz = first_hz * exp2(1.0 / CELLS_PER_OCTAVE);
    size_t bins = 0;
    do {
      sum += m->density[k++] / (double)m->n_taken;
      bins++;
    } while ((double)k * bin_hz < end_hz && (double)k * bin_hz <= highest_hz);
    hz[n] = sqrt(first_hz * (double)(k - 1) * bin_hz);
    density[n++] = sum / (double)bins;
  }
  noise->density_hz = hz;
  noise->density = density;
  noise->n_density = n;
  return RB_OK;
}

static bool near_a_line(const rb_noise *noise, double freq_hz, double width_hz)
{
  return noise->mains_found && fabs(remainder(freq_hz, noise->mains_hz)) < width_hz;
}

/// Straight line through density in dB over octaves, each cell weighted by its octaves. Cells at
/// the comb are left out: what is left of unsteady lines is no noise.
static void read_slope(const rb_noise_meter *m, rb_noise *noise)
{
  const double width_hz = 2.5 * m->rate_hz / (double)m->segment;
  double w = 0, wx = 0, wy = 0, wxx = 0, wxy = 0, wyy = 0;
  size_t used = 0;
  for (size_t i = 1; i < noise->n_density && noise->density_hz[i] <= SLOPE_HIGH_HZ; i++) {
    if (near_a_line(noise, noise->density_hz[i], width_hz))
      continue;
    const double x = log2(noise->density_hz[i] / SLOPE_HIGH_HZ);
    const double y = rb_db_from_power(noise->density[i]);
    const double weight = noise->density_hz[i] - noise->density_hz[i - 1];
    used++;
    w += weight;
    wx += weight * x;
    wy += weight * y;
    wxx += weight * x * x;
    wxy += weight * x * y;
    wyy += weight * y * y;
  }
  const double spread = w > 0 ? wxx - wx * wx / w : 0;
  if (used < 4 || !(spread > 0))
    return;
  noise->slope_db_per_octave = (wxy - wx * wy / w) / spread;
  const double residual =
      fmax(0, wyy - wy * wy / w - noise->slope_db_per_octave * (wxy - wx * wy / w));
  // Weighted residual power over its degrees of freedom, as if all cells had the mean weight.
  noise->slope_uncertainty_db_per_octave = sqrt(residual / spread / (double)(used - 2));
}

rb_status rb_noise_meter_read(rb_noise_meter *meter, rb_arena *arena, rb_noise *noise)
{
  *noise = (rb_noise){0};
  const size_t least = (size_t)(LEAST_BLOCK_S * meter->rate_hz);
  RB_TRY(blocks_flush(&meter->waiting, least, take_block, meter));
  if (meter->n_taken == 0)
    return RB_NO_SIGNAL;
  noise->duration_s = (double)meter->n_taken / meter->rate_hz;
  noise->noise = level(meter, RB_WEIGHTING_NONE, false);
  noise->total = level(meter, RB_WEIGHTING_NONE, true);
  noise->a = level(meter, RB_WEIGHTING_A, true);
  noise->bs468 = level(meter, RB_WEIGHTING_468, true);
  read_mains(meter, noise);
  read_lines(meter, noise);
  RB_TRY(read_density(meter, arena, noise));
  read_slope(meter, noise);
  return RB_OK;
}
