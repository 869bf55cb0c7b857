// SPDX-License-Identifier: GPL-3.0-or-later
#include "card_stream.h"
#include "rollbook/base/clock.h"
#include "rollbook/base/units.h"

#include <glob.h>
#include <math.h>
#include <portaudio.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
  CLIPPED_ENOUGH = 4, // clipped frames that end an exchange; a lone spike does not
  MOST_STARTS = 3,
};

static const double pre_roll_s = 1.0;
static const double poll_s = 0.005;
// Latency costs nothing but a longer tail, and a path that starves inserts silence. Where frames
// were lost it is doubled, and stays so.
static const double least_latency_s = 0.08, most_latency_s = 0.25;
static const double start_patience_s = 1.5; // for the first callback; below the program's 2 s

typedef enum card_state { SILENT, PLAYING, FINISHED } card_state;
typedef enum card_ending { COMPLETE, FADED, CLIPPED } card_ending;

// Everything the callback touches. Before `state` becomes PLAYING the main thread writes it, after
// that the callback alone until it sets FINISHED; the two atomics' order hands it over.
typedef struct callback_state {
  card_shared *shared; // set once
  const float *play;
  float *capture;
  size_t n_frames, at;
  size_t ramp_frames, faded; // faded > 0: fading, so many frames of the ramp are done
  float clip_level;
  size_t clipped_frames;
  unsigned overruns, underruns;
  card_ending ending;
  unsigned n_out, n_in;                           // channels of the stream
  unsigned output_channels[2], input_channels[2]; // from 0
  _Atomic uint32_t state;
  _Atomic uint64_t frames_seen;
  _Atomic bool complete_when_finished; // unpaced devices: the stream ends with the exchange
} callback_state;

struct card_stream {
  PaStream *stream;
  card_pair pair;
  card_request opened; // as asked
  double latency_s;    // asked of the device; raised where frames were lost
  callback_state callback;
};

// ---- the callback: no allocation, no lock, no system call
// ----------------------------------------

RB_REALTIME static float fade_gain(callback_state *me)
{
  if (me->faded == 0)
    return 1.0f;
  double through = (double)me->faded / (double)me->ramp_frames;
  return (float)(0.5 + 0.5 * cos(RB_PI * through));
}

RB_REALTIME static void exchange_frame(callback_state *me, const float *in, float *out)
{
  float gain = fade_gain(me);
  bool clipped = false;
  for (unsigned c = 0; c < 2; c++) {
    out[me->output_channels[c]] = gain * me->play[2 * me->at + c];
    float sample = in ? in[me->input_channels[c]] : 0.0f;
    me->capture[2 * me->at + c] = sample;
    clipped = clipped || fabsf(sample) >= me->clip_level;
  }
  me->clipped_frames += clipped;
  me->at++;
  me->faded += me->faded > 0;
}

RB_REALTIME static bool is_over(const callback_state *me)
{
  return me->at == me->n_frames || me->faded > me->ramp_frames;
}

RB_REALTIME static void exchange_frames(callback_state *me, const float *in, float *out,
                                        unsigned long n_frames)
{
  for (unsigned long i = 0; i < n_frames && !is_over(me); i++) {
    exchange_frame(me, in ? in + i * me->n_in : NULL, out + i * me->n_out);
    if (me->faded == 0 && me->clipped_frames >= CLIPPED_ENOUGH)
      me->faded = 1;
  }
  atomic_store_explicit(&me->shared->done_frames, me->at, memory_order_relaxed);
  if (!is_over(me))
    return;
  me->ending = me->faded == 0 ? COMPLETE : me->clipped_frames >= CLIPPED_ENOUGH ? CLIPPED : FADED;
  atomic_store_explicit(&me->state, FINISHED, memory_order_release);
}

RB_REALTIME static int callback(const void *input, void *output, unsigned long n_frames,
                                const PaStreamCallbackTimeInfo *time, PaStreamCallbackFlags flags,
                                void *payload)
{
  (void)time;
  callback_state *me = payload;
  memset(output, 0, n_frames * me->n_out * sizeof(float));
  if (atomic_load_explicit(&me->state, memory_order_acquire) == PLAYING) {
    me->overruns += (flags & (paInputOverflow | paInputUnderflow)) != 0;
    me->underruns += (flags & (paOutputUnderflow | paOutputOverflow)) != 0;
    if (me->faded == 0 && atomic_load_explicit(&me->shared->fade, memory_order_relaxed))
      me->faded = 1;
    exchange_frames(me, input, output, n_frames);
  }
  atomic_fetch_add_explicit(&me->frames_seen, n_frames, memory_order_relaxed);
  atomic_fetch_add_explicit(&me->shared->beats, 1, memory_order_relaxed);
  bool over = atomic_load_explicit(&me->complete_when_finished, memory_order_relaxed) &&
              atomic_load_explicit(&me->state, memory_order_relaxed) == FINISHED;
  return over ? paComplete : paContinue;
}

// ---- opening ------------------------------------------------------------------------------------

static rb_status refused(const card_stream *me, PaError error, rb_err *err)
{
  char title[128];
  card_devices_title(me->pair, title, sizeof title);
  const PaDeviceInfo *device = Pa_GetDeviceInfo(me->pair.out);
  if (error == paInvalidSampleRate)
    return rb_fail(err, RB_UNSUPPORTED,
                   "%s does not run at %g Hz; its own rate is %g Hz. Set that rate for the bench, "
                   "or the card's.",
                   title, me->opened.rate_hz, device->defaultSampleRate);
  const PaHostErrorInfo *host =
      error == paUnanticipatedHostError ? Pa_GetLastHostErrorInfo() : NULL;
  bool more = host && host->errorText && *host->errorText;
  return rb_fail(err, RB_DEVICE, "%s cannot be opened: %s%s%s.", title, Pa_GetErrorText(error),
                 more ? ": " : "", more ? host->errorText : "");
}

static rb_status check_channels(const card_stream *me, rb_err *err)
{
  const struct {
    const unsigned *channels;
    int most;
    const char *words;
  } ways[] = {
      {me->opened.output_channels, Pa_GetDeviceInfo(me->pair.out)->maxOutputChannels, "output"},
      {me->opened.input_channels, Pa_GetDeviceInfo(me->pair.in)->maxInputChannels, "input"},
  };
  for (size_t i = 0; i < RB_LEN(ways); i++)
    for (unsigned c = 0; c < 2; c++)
      if (ways[i].channels[c] > (unsigned)ways[i].most)
        return rb_fail(err, RB_NOT_FOUND,
                       "The card has %d %s channel%s, and the bench asks for channel %u. Set the "
                       "bench's channels.",
                       ways[i].most, ways[i].words, ways[i].most == 1 ? "" : "s",
                       ways[i].channels[c]);
  return RB_OK;
}

static unsigned long buffer_frames(const card_request *opened)
{
  if (opened->spec.frames)
    return opened->spec.frames;
  return opened->rate_hz <= 50000 ? 1024 : opened->rate_hz <= 100000 ? 2048 : 4096; // 21 ms
}

static rb_status open_once(card_stream *me, rb_err *err)
{
  PaStreamParameters capture = {.device = me->pair.in,
                                .channelCount = (int)me->callback.n_in,
                                .sampleFormat = paFloat32,
                                .suggestedLatency = me->latency_s};
  PaStreamParameters play = {.device = me->pair.out,
                             .channelCount = (int)me->callback.n_out,
                             .sampleFormat = paFloat32,
                             .suggestedLatency = me->latency_s};
  PaError error = Pa_OpenStream(&me->stream, &capture, &play, me->opened.rate_hz,
                                buffer_frames(&me->opened), paNoFlag, callback, &me->callback);
  if (error != paNoError) {
    me->stream = NULL;
    return refused(me, error, err);
  }
  atomic_store(&me->callback.frames_seen, 0);
  error = Pa_StartStream(me->stream);
  atomic_fetch_add(&me->callback.shared->beats, 1);
  return error == paNoError ? RB_OK : refused(me, error, err);
}

static void close_stream(card_stream *me)
{
  if (!me->stream)
    return;
  Pa_AbortStream(me->stream);
  Pa_CloseStream(me->stream);
  me->stream = NULL;
}

// Lets the pre-roll pass. RB_LOST_FRAMES: the stream ended by itself or never began.
static rb_status pre_roll(card_stream *me, rb_err *err)
{
  double start_s = rb_now_s();
  uint64_t wanted = (uint64_t)(pre_roll_s * me->opened.rate_hz);
  for (;;) {
    uint64_t seen = atomic_load(&me->callback.frames_seen);
    double elapsed_s = rb_now_s() - start_s;
    if (seen >= wanted) {
      // What a device buffers it may take at once; a second of sound it may not.
      if (me->opened.spec.paced && elapsed_s < 0.3 * pre_roll_s)
        return rb_fail(err, RB_DEVICE,
                       "The device took %.1f s of sound in %.3f s: it is no card but a null or "
                       "file device (`;paced=no` behind its name allows that).",
                       pre_roll_s, elapsed_s);
      return RB_OK;
    }
    if (Pa_IsStreamActive(me->stream) != 1 || (seen == 0 && elapsed_s > start_patience_s))
      return RB_LOST_FRAMES;
    rb_sleep_s(poll_s);
  }
}

static rb_status start(card_stream *me, rb_err *err)
{
  for (int attempt = 0; attempt < MOST_STARTS; attempt++) {
    rb_status status = open_once(me, err);
    if (status == RB_OK)
      status = pre_roll(me, err);
    if (status == RB_OK)
      return RB_OK;
    close_stream(me);
    if (status != RB_LOST_FRAMES)
      return status;
    atomic_fetch_add(&me->callback.shared->beats, 1);
  }
  return rb_fail(err, RB_DEVICE,
                 "The device starts and stops again at once, in each of %d attempts. Look whether "
                 "the sound server runs and another program holds the card.",
                 MOST_STARTS);
}

static unsigned larger(unsigned a, unsigned b)
{
  return a > b ? a : b;
}

static double proposed_latency_s(card_pair pair)
{
  double in_s = Pa_GetDeviceInfo(pair.in)->defaultHighInputLatency;
  double out_s = Pa_GetDeviceInfo(pair.out)->defaultHighOutputLatency;
  return fmin(fmax(fmax(in_s, out_s), least_latency_s), most_latency_s);
}

rb_status card_stream_open(const card_request *request, card_pair pair, card_shared *shared,
                           card_stream **stream, rb_err *err)
{
  *stream = NULL;
  card_stream *me = calloc(1, sizeof *me);
  if (!me)
    return rb_fail(err, RB_NO_MEM, "Out of memory while opening the card.");
  me->pair = pair;
  me->opened = *request;
  me->latency_s = request->spec.latency_s > 0 ? request->spec.latency_s : proposed_latency_s(pair);
  callback_state *state = &me->callback;
  state->shared = shared;
  state->complete_when_finished = !request->spec.paced;
  for (unsigned c = 0; c < 2; c++) {
    state->n_out = larger(state->n_out, request->output_channels[c]);
    state->n_in = larger(state->n_in, request->input_channels[c]);
    state->output_channels[c] = request->output_channels[c] - 1;
    state->input_channels[c] = request->input_channels[c] - 1;
  }
  rb_status status = check_channels(me, err);
  if (status == RB_OK)
    status = start(me, err);
  if (status == RB_OK && !request->spec.paced)
    close_stream(me); // it would spin; an exchange opens it again
  if (status == RB_OK)
    *stream = me;
  else
    free(me);
  return status;
}

void card_stream_close(card_stream *stream)
{
  if (!stream)
    return;
  close_stream(stream);
  free(stream);
}

// ---- exchanging ---------------------------------------------------------------------------------

static void arm(card_stream *me, const card_request *request, card_shared *shared)
{
  callback_state *state = &me->callback;
  atomic_store(&shared->done_frames, 0);
  state->play = card_play_frames(shared);
  state->capture = card_capture_frames(shared, request->n_frames);
  state->n_frames = request->n_frames;
  state->at = state->faded = state->clipped_frames = 0;
  state->overruns = state->underruns = 0;
  state->ramp_frames = request->ramp_frames > 0 ? request->ramp_frames : 1;
  state->clip_level = request->clip_level;
  atomic_store_explicit(&state->state, PLAYING, memory_order_release);
}

static rb_status wait_for_end(card_stream *me, rb_err *err)
{
  callback_state *state = &me->callback;
  while (atomic_load_explicit(&state->state, memory_order_acquire) != FINISHED) {
    // Active is asked first and the state once more after it: the stream may end in between.
    if (Pa_IsStreamActive(me->stream) != 1 &&
        atomic_load_explicit(&state->state, memory_order_acquire) != FINISHED)
      return rb_fail(err, RB_DEVICE,
                     "The sound system stopped %.2f s into an exchange of %.2f s. Did the sound "
                     "server end, or the card go?",
                     (double)atomic_load(&state->shared->done_frames) / me->opened.rate_hz,
                     (double)state->n_frames / me->opened.rate_hz);
    rb_sleep_s(poll_s);
  }
  return RB_OK;
}

// What the callback has handed over is still to be heard; a stream that is ended now would cut the
// fade off.
static void let_fade_be_heard(const card_stream *me)
{
  static const double longest_s = 0.6;
  const PaStreamInfo *info = Pa_GetStreamInfo(me->stream);
  double latency_s = info && info->outputLatency > 0 ? info->outputLatency : 0;
  double buffer_s = (double)buffer_frames(&me->opened) / me->opened.rate_hz;
  rb_sleep_s(fmin(latency_s + 2 * buffer_s, longest_s));
}

static rb_status check_pace(const card_stream *me, double elapsed_s, rb_err *err)
{
  double signal_s = (double)me->callback.at / me->opened.rate_hz;
  if (!me->opened.spec.paced || elapsed_s >= 0.8 * signal_s - 0.5)
    return RB_OK;
  return rb_fail(err, RB_DEVICE,
                 "The device took %.2f s of sound in %.2f s: it does not play it, and what it "
                 "captured means nothing.",
                 signal_s, elapsed_s);
}

rb_status card_stream_exchange(card_stream *stream, const card_request *request,
                               card_shared *shared, card_reply *reply, rb_err *err)
{
  callback_state *state = &stream->callback;
  // Anew where it ended while nothing was asked of it, and where frames were lost on it.
  if (request->fresh)
    stream->latency_s = fmax(stream->latency_s, fmin(2 * stream->latency_s, most_latency_s));
  if (stream->stream && (request->fresh || Pa_IsStreamActive(stream->stream) != 1))
    close_stream(stream);
  if (!stream->stream) {
    atomic_store(&state->state, SILENT);
    RB_TRY(start(stream, err));
  }
  double start_s = rb_now_s();
  arm(stream, request, shared);
  RB_TRY(wait_for_end(stream, err));
  double elapsed_s = rb_now_s() - start_s;
  if (state->ending != COMPLETE)
    let_fade_be_heard(stream);
  if (!stream->opened.spec.paced)
    close_stream(stream);
  reply->clipped_frames = state->clipped_frames;
  reply->overruns = state->overruns;
  reply->underruns = state->underruns;
  RB_TRY(check_pace(stream, elapsed_s, err));
  if (state->ending == CLIPPED)
    return rb_fail(err, RB_CLIPPED, "The card's input clipped.");
  if (state->ending == FADED)
    return rb_fail(err, RB_CANCELLED, "Cancelled; the sound has faded out.");
  return RB_OK;
}

// ---- what the path does to the rate
// --------------------------------------------------------------

// While the stream runs the kernel tells at which rate each card's converter runs: "rate: 48000
// (48000/1)". 0 where no card runs.
static double running_rate_hz(void)
{
  glob_t found;
  double rate_hz = 0;
  if (glob("/proc/asound/card*/pcm*/sub*/hw_params", 0, NULL, &found) != 0)
    return 0;
  for (size_t i = 0; i < found.gl_pathc; i++) {
    char line[128];
    FILE *file = fopen(found.gl_pathv[i], "re");
    while (file && fgets(line, sizeof line, file))
      if (strncmp(line, "rate: ", 6) == 0)
        rate_hz = strtod(line + 6, NULL);
    if (file)
      fclose(file);
  }
  globfree(&found);
  return rate_hz;
}

void card_stream_note(const card_stream *stream, char *note, size_t size)
{
  *note = '\0';
  const PaDeviceInfo *device = Pa_GetDeviceInfo(stream->pair.out);
  const PaHostApiInfo *api = Pa_GetHostApiInfo(device->hostApi);
  double rate_hz = running_rate_hz();
  if (rate_hz > 0 && fabs(rate_hz - stream->opened.rate_hz) > 1)
    snprintf(note, size, "a card runs at %g Hz, not at the %g Hz asked: the sound system resamples",
             rate_hz, stream->opened.rate_hz);
  else if (rate_hz == 0 && api->type == paALSA && !strstr(device->name, "hw:"))
    snprintf(note, size,
             "this device leads to a sound server, which resamples without a word if it runs at "
             "another rate than %g Hz",
             stream->opened.rate_hz);
}
