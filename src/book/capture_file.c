// SPDX-License-Identifier: GPL-3.0-or-later
#include "capture_file.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <sndfile.h>
#include <string.h>
#include <unistd.h>

enum {
  CHUNK_FRAMES = 4096,
  MOST_CHANNELS = 2,
  FULL_SCALE_24 = 8388608, // 2^23
  SHIFT_24 = 256,          // libsndfile keeps 24 bits at the top of an int
};

// A RIFF header counts bytes in 32 bits.
static const double most_wav_bytes = 4.0e9;

bool capture_file_fits_flac(const rb_capture *capture)
{
  size_t n = capture->n_frames * capture->n_channels;
  for (size_t i = 0; i < n; i++) {
    float scaled = capture->frames[i] * (float)FULL_SCALE_24; // exact: a power of two
    if (!(scaled >= (float)-FULL_SCALE_24 && scaled <= (float)(FULL_SCALE_24 - 1)) ||
        scaled != truncf(scaled))
      return false;
  }
  return true;
}

static sf_count_t write_chunk(SNDFILE *file, const float *frames, size_t n_frames,
                              unsigned n_channels, bool as_flac)
{
  if (!as_flac)
    return sf_writef_float(file, frames, (sf_count_t)n_frames);
  int values[CHUNK_FRAMES * MOST_CHANNELS];
  for (size_t i = 0; i < n_frames * n_channels; i++)
    values[i] = (int)(frames[i] * (float)FULL_SCALE_24) * SHIFT_24;
  return sf_writef_int(file, values, (sf_count_t)n_frames);
}

static rb_status write_frames(SNDFILE *file, const char *path, const rb_capture *capture,
                              bool as_flac, rb_err *err)
{
  for (size_t done = 0; done < capture->n_frames;) {
    size_t n = capture->n_frames - done;
    if (n > CHUNK_FRAMES)
      n = CHUNK_FRAMES;
    const float *frames = capture->frames + done * capture->n_channels;
    if (write_chunk(file, frames, n, capture->n_channels, as_flac) != (sf_count_t)n)
      return rb_fail(
          err, RB_STORAGE,
          "Capture '%s' could not be written (%s). Is the disk full? Free some space and "
          "measure again; finished passes are intact.",
          path, errno ? strerror(errno) : sf_strerror(file));
    done += n;
  }
  return RB_OK;
}

static rb_status open_new(const char *path, const rb_capture *capture, bool as_flac,
                          int *descriptor, SNDFILE **file, rb_err *err)
{
  *descriptor = open(path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
  if (*descriptor < 0)
    return rb_fail(err, RB_STORAGE, "Capture '%s' cannot be made: %s. Check space and permissions.",
                   path, strerror(errno));
  SF_INFO info = {.samplerate = (int)lround(capture->rate_hz),
                  .channels = (int)capture->n_channels,
                  .format = as_flac ? SF_FORMAT_FLAC | SF_FORMAT_PCM_24
                                    : SF_FORMAT_WAV | SF_FORMAT_FLOAT};
  *file = sf_open_fd(*descriptor, SFM_WRITE, &info, SF_FALSE);
  if (!*file)
    return rb_fail(err, RB_STORAGE, "Capture '%s' cannot be begun: %s.", path, sf_strerror(NULL));
  double level = 0.25; // Little time, and within a few percent of the smallest size.
  sf_command(*file, SFC_SET_COMPRESSION_LEVEL, &level, sizeof level);
  sf_command(*file, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE); // It would hold the time of day.
  return RB_OK;
}

// Closing writes the header again, so it can meet a full disk too.
static rb_status close_new(const char *path, int descriptor, SNDFILE *file, rb_status status,
                           rb_err *err)
{
  if (file && sf_close(file) != 0 && status == RB_OK)
    status =
        rb_fail(err, RB_STORAGE, "Capture '%s' could not be finished. Is the disk full?", path);
  if (descriptor >= 0 && fsync(descriptor) != 0 && status == RB_OK)
    status = rb_fail(err, RB_STORAGE, "Capture '%s' could not be flushed to the disk: %s.", path,
                     strerror(errno));
  if (descriptor >= 0)
    close(descriptor);
  return status;
}

static rb_status open_old(const char *path, SNDFILE **file, SF_INFO *info, rb_err *err)
{
  if (access(path, R_OK) != 0)
    return rb_fail(err, RB_STORAGE, "Capture '%s' cannot be read: %s.", path, strerror(errno));
  *info = (SF_INFO){0};
  *file = sf_open(path, SFM_READ, info);
  if (!*file)
    return rb_fail(err, RB_STORAGE, "Capture '%s' is damaged: %s.", path, sf_strerror(NULL));
  return RB_OK;
}

// FLAC is read as integers and scaled here, so that no rounding of a library comes in between.
static sf_count_t read_chunk(SNDFILE *file, const SF_INFO *info, float *frames, size_t n_frames)
{
  if ((info->format & SF_FORMAT_TYPEMASK) != SF_FORMAT_FLAC)
    return sf_readf_float(file, frames, (sf_count_t)n_frames);
  int values[CHUNK_FRAMES * MOST_CHANNELS];
  sf_count_t n = sf_readf_int(file, values, (sf_count_t)n_frames);
  for (sf_count_t i = 0; i < n * info->channels; i++)
    frames[i] = (float)(values[i] / SHIFT_24) / (float)FULL_SCALE_24;
  return n;
}

static rb_status check_shape(const char *path, const SF_INFO *info, const rb_capture *capture,
                             rb_err *err)
{
  if (info->frames == (sf_count_t)capture->n_frames && info->channels == (int)capture->n_channels &&
      info->channels <= MOST_CHANNELS)
    return RB_OK;
  return rb_fail(
      err, RB_STORAGE,
      "Capture '%s' is damaged: it holds %lld frames of %d channels, the book says %zu of "
      "%u.",
      path, (long long)info->frames, info->channels, capture->n_frames, capture->n_channels);
}

static bool same_samples(const float *a, const float *b, size_t n)
{
  for (size_t i = 0; i < n; i++)
    if (a[i] != b[i] && !(isnan(a[i]) && isnan(b[i])))
      return false;
  return true;
}

// Visits the file chunk by chunk: compares with `expected`, or fills `into`.
static rb_status go_through(const char *path, SNDFILE *file, const SF_INFO *info,
                            const rb_capture *expected, float *into, rb_err *err)
{
  float chunk[CHUNK_FRAMES * MOST_CHANNELS];
  size_t width = expected->n_channels;
  for (size_t done = 0; done < expected->n_frames;) {
    size_t n = expected->n_frames - done;
    if (n > CHUNK_FRAMES)
      n = CHUNK_FRAMES;
    if (read_chunk(file, info, chunk, n) != (sf_count_t)n)
      return rb_fail(err, RB_STORAGE, "Capture '%s' is damaged: it ends after %zu of %zu frames.",
                     path, done, expected->n_frames);
    if (into)
      memcpy(into + done * width, chunk, n * width * sizeof *chunk);
    else if (!same_samples(chunk, expected->frames + done * width, n * width))
      return rb_fail(err, RB_STORAGE,
                     "Capture '%s' did not come back from the disk as it was written. The disk may "
                     "be full or failing.",
                     path);
    done += n;
  }
  return RB_OK;
}

static rb_status read_back(const char *path, const rb_capture *capture, rb_err *err)
{
  SNDFILE *file = NULL;
  SF_INFO info;
  RB_TRY(open_old(path, &file, &info, err));
  rb_status status = check_shape(path, &info, capture, err);
  if (status == RB_OK)
    status = go_through(path, file, &info, capture, NULL, err);
  sf_close(file);
  return status;
}

rb_status capture_file_write(const char *path, const rb_capture *capture, bool as_flac, rb_err *err)
{
  double n_bytes = (double)capture->n_frames * capture->n_channels * sizeof(float);
  if (capture->n_channels < 1 || capture->n_channels > MOST_CHANNELS || capture->n_frames == 0)
    return rb_fail(err, RB_BAD_ARG, "A capture of %zu frames and %u channels cannot be kept.",
                   capture->n_frames, capture->n_channels);
  if (n_bytes > most_wav_bytes)
    return rb_fail(err, RB_BAD_ARG, "A capture of %.1f GB is too long to be kept.", n_bytes / 1e9);
  int descriptor = -1;
  SNDFILE *file = NULL;
  errno = 0;
  rb_status status = open_new(path, capture, as_flac, &descriptor, &file, err);
  if (status == RB_OK)
    status = write_frames(file, path, capture, as_flac, err);
  status = close_new(path, descriptor, file, status, err);
  return status == RB_OK ? read_back(path, capture, err) : status;
}

rb_status capture_file_read(const char *path, rb_arena *arena, rb_capture *capture, rb_err *err)
{
  SNDFILE *file = NULL;
  SF_INFO info;
  RB_TRY(open_old(path, &file, &info, err));
  rb_status status = check_shape(path, &info, capture, err);
  if (status == RB_OK) {
    capture->frames =
        rb_arena_alloc(arena, capture->n_frames, capture->n_channels * sizeof *capture->frames);
    status = capture->frames ? go_through(path, file, &info, capture, capture->frames, err)
                             : rb_fail(err, RB_NO_MEM, "Memory ran out while reading '%s'.", path);
  }
  sf_close(file);
  return status;
}
