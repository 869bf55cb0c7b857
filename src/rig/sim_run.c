// SPDX-License-Identifier: GPL-3.0-or-later
#include "sim_run.h"

#include "rollbook/base/units.h"
#include "sim_convert.h"

#include <math.h>
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

enum { RING = 1 << 13, METER_WINDOWS_MOST = 1 << 16 };

typedef struct sim_job sim_job;

/// One channel's way from the card's output to its input.
typedef struct sim_side {
  sim_job *job;
  unsigned channel;
  double ring[2 * RING]; ///< Volts at the load, newest RING internal samples, twice.
  size_t recorded;       ///< Frames captured.
  sim_converter converter;
  rb_random dac_random;
  double *window_v2; ///< Mean squares at the load, a 50 ms window each.
  size_t n_windows;
  double window_sum;
  size_t window_fill;
} sim_side;

struct sim_job {
  sim_run *run;
  const rb_exchange *exchange;
  rb_capture *capture;
  sim_kernel kernel;
  size_t n_internal, block, window_samples;
  double latency, step;  ///< Internal samples: delay, and per captured frame.
  double fade_from;      ///< Internal sample the play side fades from; INFINITY.
  atomic_int stop;       ///< An rb_status; set by a side or by the caller's wish.
  atomic_size_t stop_at; ///< Internal sample at which both sides end.
  size_t next_knock;
  /// Which block is being worked on, times four, plus a bit for each side that a thread has taken.
  atomic_size_t turn;
  atomic_uint finished; ///< Sides of this block that are done.
  sim_side side[2];
};

static void note_stop(sim_job *job, rb_status status)
{
  int none = RB_OK;
  atomic_compare_exchange_strong(&job->stop, &none, (int)status);
}

/// Between blocks, with both sides waiting.
static void between_blocks(sim_job *job, size_t done)
{
  const rb_exchange *exchange = job->exchange;
  const size_t n = done < job->block ? done : job->block;
  if (job->run->amp) {
    rb_amp_block_done(job->run->amp, n);
    if (job->run->knock && done >= job->next_knock) {
      rb_amp_tap(job->run->amp, job->run->knock_socket, 1);
      job->next_knock += (size_t)(job->run->rate_hz * job->kernel.over);
    }
  }
  if (rb_cancel_requested(exchange->cancel))
    note_stop(job, RB_CANCELLED);
  if (atomic_load(&job->stop) != RB_OK && isinf(job->fade_from)) {
    job->fade_from = (double)done;
    const size_t end = done + (exchange->ramp_frames + 1) * job->kernel.over;
    if (end < job->stop_at)
      job->stop_at = (end + job->block - 1) / job->block * job->block;
  }
  if (done / job->block % 100 == 0)
    rb_progress_tell(&exchange->progress, (double)done, (double)job->n_internal);
}

/// Raised cosine from 1 to 0 over the ramp.
static double fade_at(const sim_job *job, size_t at)
{
  const double ramp = (double)(job->exchange->ramp_frames * job->kernel.over);
  const double t = (double)at - job->fade_from;
  if (t <= 0)
    return 1;
  return t < ramp ? 0.5 + 0.5 * cos(RB_PI * t / ramp) : 0;
}

/// The card's output: volts, with its noise.
static void play_block(sim_side *side, size_t first, size_t n, double *volts)
{
  const sim_job *job = side->job;
  const sim_options *options = job->run->options;
  const double noise =
      rb_ratio_from_db(options->dac_noise_dbfs) / sqrt(2) * sqrt((double)job->kernel.over);
  sim_play(&job->kernel, job->exchange->play, job->exchange->n_frames, side->channel, first, n,
           volts);
  const bool fading = first + n > job->fade_from;
  for (size_t i = 0; i < n; i++) {
    if (fading)
      volts[i] *= fade_at(job, first + i);
    volts[i] = options->dac_vpeak * (volts[i] + noise * rb_random_normal(&side->dac_random));
  }
}

static void meter(sim_side *side, const double *load_v, size_t n)
{
  for (size_t i = 0; i < n; i++) {
    side->window_sum += load_v[i] * load_v[i];
    if (++side->window_fill < side->job->window_samples)
      continue;
    if (side->n_windows < METER_WINDOWS_MOST)
      side->window_v2[side->n_windows++] = side->window_sum / (double)side->window_fill;
    side->window_sum = 0;
    side->window_fill = 0;
  }
}

/// Converts every frame whose time has come, `done` internal samples being known.
static void record(sim_side *side, size_t done)
{
  sim_job *job = side->job;
  const sim_options *options = job->run->options;
  const double to_full_scale = job->run->amp
                                   ? options->polarity / (options->attenuator * options->adc_vpeak)
                                   : 0.7 * options->polarity / options->dac_vpeak;
  const double reach = job->kernel.n_taps / 2 + 1;
  for (; side->recorded < job->exchange->n_frames; side->recorded++) {
    const double at = (double)side->recorded * job->step - job->latency + RING;
    if (at + reach >= (double)done + RING)
      return;
    const double volts = sim_record(&job->kernel, side->ring, RING - 1, at);
    const float sample = sim_convert(&side->converter, volts * to_full_scale);
    job->capture->frames[2 * side->recorded + side->channel] = sample;
    if (fabsf(sample) >= fminf(job->exchange->clip_level, 1 - (float)side->converter.step))
      note_stop(job, RB_CLIPPED);
  }
}

static void run_block(sim_side *side, size_t first, size_t n)
{
  sim_job *job = side->job;
  double volts[RB_AMP_BLOCK], load_v[RB_AMP_BLOCK];
  play_block(side, first, n, volts);
  if (job->run->amp) {
    for (size_t i = 0; i < n; i++)
      volts[i] *= job->run->options->pot;
    rb_amp_run(job->run->amp, side->channel, volts, n, load_v);
  } else {
    memcpy(load_v, volts, n * sizeof *load_v);
  }
  meter(side, load_v, n);
  for (size_t i = 0; i < n; i++)
    side->ring[(first + i) & (RING - 1)] = side->ring[((first + i) & (RING - 1)) + RING] =
        load_v[i];
  record(side, first + n);
}

/// Takes a side of the present block, rather `wanted` than the other; −1 when both are taken
/// or all is done.
static int take_side(sim_job *job, unsigned wanted, size_t *block)
{
  size_t turn = atomic_load(&job->turn);
  for (;;) {
    *block = turn / 4;
    const unsigned side = turn & (1u << wanted) ? !wanted : wanted;
    if (turn & (1u << side) || *block * job->block >= job->stop_at)
      return -1;
    if (atomic_compare_exchange_weak(&job->turn, &turn, turn | (1u << side)))
      return (int)side;
  }
}

/// A thread's work: whatever side of the present block nobody has taken. So each thread keeps to
/// its own channel, but when the system lets only one run, that one goes on alone.
static void *work(void *payload)
{
  sim_side *own = payload;
  sim_job *job = own->job;
  size_t block;
  unsigned spins = 0;
  while ((block = atomic_load(&job->turn) / 4) * job->block < job->stop_at) {
    const int side = take_side(job, own->channel, &block);
    if (side < 0) {
      if (++spins > 500)
        sched_yield();
      continue;
    }
    spins = 0;
    run_block(&job->side[side], block * job->block, job->block);
    if (atomic_fetch_add(&job->finished, 1) == 1) {
      between_blocks(job, (block + 1) * job->block);
      atomic_store(&job->finished, 0);
      atomic_store(&job->turn, (block + 1) * 4);
    }
  }
  return NULL;
}

static int by_size(const void *a, const void *b)
{
  const double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/// What a voltmeter shows while the loud part is steady: windows within 6 dB of the loudest, of
/// these the ones near their median.
static double meter_reading(const sim_side *side)
{
  double loudest = 0;
  for (size_t i = 0; i < side->n_windows; i++)
    loudest = fmax(loudest, side->window_v2[i]);
  double *loud = calloc(side->n_windows + 1, sizeof *loud);
  if (!loud)
    return -1;
  size_t n_loud = 0;
  for (size_t i = 0; i < side->n_windows; i++)
    if (side->window_v2[i] > 0.25 * loudest)
      loud[n_loud++] = side->window_v2[i];
  qsort(loud, n_loud, sizeof *loud, by_size);
  const double median = n_loud ? loud[n_loud / 2] : side->window_sum;
  free(loud);
  double sum = 0;
  size_t n = 0;
  for (size_t i = 0; i < side->n_windows; i++)
    if (fabs(side->window_v2[i] - median) <= 0.05 * median) {
      sum += side->window_v2[i];
      n++;
    }
  return sqrt(n ? sum / (double)n : median);
}

static rb_status prepare_side(sim_job *job, unsigned channel)
{
  const sim_options *options = job->run->options;
  sim_side *side = &job->side[channel];
  const double rate = job->run->rate_hz;
  const double coupling_k = tan(RB_PI * options->ac_hz / rate);
  *side = (sim_side){.job = job,
                     .channel = channel,
                     .dac_random = rb_random_seeded(job->run->seed * 4 + channel),
                     .converter = {.coupling = (1 - coupling_k) / (1 + coupling_k),
                                   .noise_rms = rb_ratio_from_db(options->adc_noise_dbfs) / sqrt(2),
                                   .step = ldexp(1, 1 - (int)lrint(options->bits)),
                                   .random = rb_random_seeded(job->run->seed * 4 + 2 + channel)}};
  const size_t windows = job->n_internal / job->window_samples + 2;
  side->window_v2 =
      calloc(windows < METER_WINDOWS_MOST ? windows : METER_WINDOWS_MOST, sizeof(double));
  return side->window_v2 ? RB_OK : RB_NO_MEM;
}

static rb_status prepare(sim_job *job, sim_run *run, const rb_exchange *exchange,
                         rb_capture *capture)
{
  const sim_options *options = run->options;
  job->run = run;
  job->exchange = exchange;
  job->capture = capture;
  const unsigned over = sim_oversampling(options, exchange->play, exchange->n_frames, run->rate_hz);
  const double internal_hz = run->rate_hz * over;
  job->step = over / (1 + options->clock_ppm * 1e-6);
  job->latency = options->latency_ms * 1e-3 * internal_hz;
  if (run->amp)
    RB_TRY(rb_amp_set_rate(run->amp, internal_hz));
  job->block = run->amp ? rb_amp_block(run->amp) : 128;
  // The last frame's surroundings must have been played, whatever the clocks say.
  const double last = (double)exchange->n_frames * job->step + SIM_SPAN * (double)over;
  job->n_internal = ((size_t)last / job->block + 1) * job->block;
  job->stop_at = job->n_internal;
  job->fade_from = INFINITY;
  job->window_samples = (size_t)(internal_hz / 20);
  job->next_knock = (size_t)(internal_hz / 2);
  const double fraction = -job->latency - floor(-job->latency);
  RB_TRY(sim_kernel_make(&job->kernel, over, options->clock_ppm != 0, fraction));
  for (unsigned channel = 0; channel < 2; channel++)
    RB_TRY(prepare_side(job, channel));
  return RB_OK;
}

static rb_status run_both(sim_job *job, rb_err *err)
{
  pthread_t right;
  const int failed = pthread_create(&right, NULL, work, &job->side[RB_RIGHT]);
  if (failed)
    return rb_fail(err, RB_NO_MEM, "No thread could be started for the simulated amplifier: %s.",
                   strerror(failed));
  work(&job->side[RB_LEFT]);
  pthread_join(right, NULL);
  const rb_status status = (rb_status)atomic_load(&job->stop);
  if (status == RB_CLIPPED)
    return rb_fail(err, status, "The simulated card's input clipped. Turn the level down.");
  return status == RB_CANCELLED ? rb_fail(err, status, "Cancelled.") : status;
}

rb_status sim_run_exchange(sim_run *run, const rb_exchange *exchange, rb_capture *capture,
                           rb_err *err)
{
  sim_job *job = calloc(1, sizeof *job);
  rb_status status = job ? prepare(job, run, exchange, capture) : RB_NO_MEM;
  if (status == RB_NO_MEM)
    status =
        rb_fail(err, RB_NO_MEM, "Out of memory for an exchange of %zu frames.", exchange->n_frames);
  else if (status == RB_OK)
    status = run_both(job, err);
  for (unsigned channel = 0; job && channel < 2; channel++) {
    run->meter_vrms[channel] = status == RB_OK ? meter_reading(&job->side[channel]) : -1;
    free(job->side[channel].window_v2);
  }
  if (job)
    sim_kernel_free(&job->kernel);
  free(job);
  return status;
}
