// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/file.h"
#include "rollbook/base/text.h"

#include <errno.h>
#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum {
  READ_FRAMES = 4096,  // read at once
  MOST_CHANNELS = 256, // more is a broken header
};

// ---- what a file says of itself -----------------------------------------------------------------

static double width_of(int format)
{
  static const struct {
    int subtype;
    double width_bits;
  } widths[] = {
      {SF_FORMAT_PCM_S8, 8},   {SF_FORMAT_PCM_U8, 8},   {SF_FORMAT_PCM_16, 16},
      {SF_FORMAT_PCM_24, 24},  {SF_FORMAT_PCM_32, 32},  {SF_FORMAT_FLOAT, 24},
      {SF_FORMAT_DOUBLE, 53},  {SF_FORMAT_ALAC_16, 16}, {SF_FORMAT_ALAC_24, 24},
      {SF_FORMAT_ALAC_32, 32},
  };
  for (size_t i = 0; i < RB_LEN(widths); i++)
    if ((format & SF_FORMAT_SUBMASK) == widths[i].subtype)
      return widths[i].width_bits;
  return 0;
}

static const char *format_name(int format)
{
  SF_FORMAT_INFO info = {.format = format};
  return sf_command(NULL, SFC_GET_FORMAT_INFO, &info, sizeof info) == 0 && info.name ? info.name
                                                                                     : "unknown";
}

static void describe(const SF_INFO *header, rb_file_info *info)
{
  *info = (rb_file_info){.n_channels = (unsigned)header->channels,
                         .width_bits = width_of(header->format)};
  snprintf(info->format, sizeof info->format, "%.20s, %.24s",
           format_name(header->format & SF_FORMAT_TYPEMASK),
           format_name(header->format & SF_FORMAT_SUBMASK));
}

static rb_status check_header(const char *name, const SF_INFO *header, rb_err *err)
{
  if (header->frames <= 0)
    return rb_fail(err, RB_FORMAT, "'%s' holds no sound: its header counts %lld frames.", name,
                   (long long)header->frames);
  if (header->samplerate < 1000 || header->samplerate > 1000000)
    return rb_fail(err, RB_FORMAT, "'%s' has a sample rate of %d Hz; 1 kHz to 1 MHz can be read.",
                   name, header->samplerate);
  if (header->channels < 1 || header->channels > MOST_CHANNELS)
    return rb_fail(err, RB_FORMAT, "'%s' has %d channels; 1 to %d can be read.", name,
                   header->channels, MOST_CHANNELS);
  return RB_OK;
}

// Which two channels of the file (from 0) are taken; second < 0: only one.
static rb_status pick_channels(const char *name, rb_file_channels wanted, int n_channels,
                               int picked[2], rb_err *err)
{
  if (wanted.left == 0 && wanted.right == 0) {
    picked[0] = 0;
    picked[1] = n_channels > 1 ? 1 : -1;
    return RB_OK;
  }
  unsigned most = wanted.left > wanted.right ? wanted.left : wanted.right;
  if (wanted.left == 0 || most > (unsigned)n_channels)
    return rb_fail(err, RB_BAD_ARG, "'%s' has %d channel%s; channel %u was asked for.", name,
                   n_channels, n_channels == 1 ? "" : "s", wanted.left == 0 ? 0 : most);
  picked[0] = (int)wanted.left - 1;
  picked[1] = (int)wanted.right - 1;
  return RB_OK;
}

// ---- reading ------------------------------------------------------------------------------------

static rb_status take_block(const char *name, const float *block, size_t n_frames, size_t first,
                            int n_channels, const int picked[2], rb_capture *capture, rb_err *err)
{
  float *to = capture->frames + first * capture->n_channels;
  for (size_t i = 0; i < n_frames; i++) {
    for (unsigned c = 0; c < capture->n_channels; c++, to++) {
      *to = block[i * (size_t)n_channels + (size_t)picked[c]];
      if (!isfinite(*to))
        return rb_fail(err, RB_FORMAT,
                       "'%s': frame %zu of channel %d is %s, not a sample. The file was written "
                       "wrongly or is damaged.",
                       name, first + i, picked[c] + 1, isnan(*to) ? "NaN" : "infinite");
    }
  }
  return RB_OK;
}

static rb_status read_frames(SNDFILE *file, const char *name, const SF_INFO *header,
                             const int picked[2], float *block, rb_capture *capture, rb_err *err)
{
  size_t first = 0;
  while (first < capture->n_frames) {
    size_t left = capture->n_frames - first;
    sf_count_t wanted = left < READ_FRAMES ? (sf_count_t)left : READ_FRAMES;
    sf_count_t got = sf_readf_float(file, block, wanted);
    if (got <= 0)
      return rb_fail(err, RB_FORMAT,
                     "'%s' is cut short: its header promises %lld frames and %zu are there.", name,
                     (long long)header->frames, first);
    RB_TRY(take_block(name, block, (size_t)got, first, header->channels, picked, capture, err));
    first += (size_t)got;
  }
  return RB_OK;
}

// libsndfile opens a WAV or AIFF that was cut short as if it were whole, and tells only in its log:
// "data : 192000 (should be 49956)". A program that wrote into a pipe could not know the length and
// left one of about 2 or 4 GB: that is no damage.
static rb_status check_whole(SNDFILE *file, const char *name, rb_err *err)
{
  static const char *const chunks[] = {"\ndata : ", "\nSSND : ", "\n SSND : "};
  static const unsigned long long unknown_length = 0x7ff00000;
  char log[8192] = "";
  sf_command(file, SFC_GET_LOG_INFO, log, sizeof log);
  for (size_t i = 0; i < RB_LEN(chunks); i++) {
    const char *line = strstr(log, chunks[i]);
    unsigned long long promised = 0, there = 0;
    if (!line || sscanf(line + strlen(chunks[i]), "%llu (should be %llu)", &promised, &there) != 2)
      continue;
    if (promised > there && promised < unknown_length)
      return rb_fail(err, RB_FORMAT,
                     "'%s' is cut short: its header promises %llu bytes of sound and %llu are "
                     "there.",
                     name, promised, there);
  }
  return RB_OK;
}

static rb_status load_open(SNDFILE *file, const char *name, long long n_bytes,
                           const SF_INFO *header, rb_file_channels channels, rb_arena *arena,
                           rb_capture *capture, rb_err *err)
{
  int picked[2];
  RB_TRY(check_header(name, header, err));
  RB_TRY(check_whole(file, name, err));
  RB_TRY(pick_channels(name, channels, header->channels, picked, err));
  // No format read here packs a frame of sound in less than 1/2000 of a byte each (FLAC of
  // silence comes nearest); a header that promises more would only be filled with zeros.
  if (header->frames / 2000 > n_bytes)
    return rb_fail(err, RB_FORMAT,
                   "'%s' is cut short: its header promises %lld frames, the file has %lld bytes.",
                   name, (long long)header->frames, n_bytes);
  *capture = (rb_capture){.n_frames = (size_t)header->frames,
                          .n_channels = picked[1] < 0 ? 1 : 2,
                          .rate_hz = header->samplerate,
                          .health = {.usable = true}};
  capture->frames = rb_arena_alloc(arena, capture->n_frames, capture->n_channels * sizeof(float));
  float *block = malloc(READ_FRAMES * (size_t)header->channels * sizeof *block);
  rb_status status = RB_OK;
  if (!capture->frames || !block)
    status = rb_fail(err, RB_NO_MEM, "'%s' is too long to read: %lld frames.", name,
                     (long long)header->frames);
  if (status == RB_OK)
    status = read_frames(file, name, header, picked, block, capture, err);
  free(block);
  return status;
}

static rb_status not_audio(const char *name, SNDFILE *file, rb_err *err)
{
  return rb_fail(err, RB_FORMAT,
                 "'%s' is not an audio file that can be read (%s). WAV, FLAC and AIFF are.", name,
                 sf_strerror(file));
}

static rb_status load_and_close(SNDFILE *file, const char *name, long long n_bytes,
                                const SF_INFO *header, rb_file_channels channels, rb_arena *arena,
                                rb_capture *capture, rb_file_info *info, rb_err *err)
{
  if (!file)
    return not_audio(name, NULL, err);
  rb_arena_mark mark = rb_arena_save(arena);
  rb_status status = load_open(file, name, n_bytes, header, channels, arena, capture, err);
  if (status == RB_OK && info)
    describe(header, info);
  if (status != RB_OK)
    rb_arena_rewind(arena, mark);
  sf_close(file);
  return status;
}

static rb_status look_at_path(const char *path, long long *n_bytes, rb_err *err)
{
  struct stat found;
  if (stat(path, &found) != 0)
    return rb_fail(err, errno == ENOENT ? RB_NOT_FOUND : RB_IO, "Reading '%s': %s.", path,
                   strerror(errno));
  if (!S_ISREG(found.st_mode))
    return rb_fail(err, RB_FORMAT, "'%s' is not a file.", path);
  if (found.st_size == 0)
    return rb_fail(err, RB_FORMAT, "'%s' is empty.", path);
  if (access(path, R_OK) != 0)
    return rb_fail(err, RB_IO, "Reading '%s': %s.", path, strerror(errno));
  *n_bytes = found.st_size;
  return RB_OK;
}

rb_status rb_file_load(const char *path, rb_file_channels channels, rb_arena *arena,
                       rb_capture *capture, rb_file_info *info, rb_err *err)
{
  long long n_bytes = 0;
  RB_TRY(look_at_path(path, &n_bytes, err));
  SF_INFO header = {0};
  SNDFILE *file = sf_open(path, SFM_READ, &header);
  return load_and_close(file, path, n_bytes, &header, channels, arena, capture, info, err);
}

// ---- reading from memory ------------------------------------------------------------------------

typedef struct memory_file {
  const unsigned char *bytes;
  sf_count_t n_bytes, at;
} memory_file;

static sf_count_t memory_length(void *payload)
{
  return ((memory_file *)payload)->n_bytes;
}

static sf_count_t memory_seek(sf_count_t offset, int whence, void *payload)
{
  memory_file *file = payload;
  sf_count_t from = whence == SEEK_SET ? 0 : whence == SEEK_CUR ? file->at : file->n_bytes;
  if (offset < -from || offset > file->n_bytes - from)
    return -1;
  return file->at = from + offset;
}

static sf_count_t memory_read(void *to, sf_count_t n_bytes, void *payload)
{
  memory_file *file = payload;
  sf_count_t left = file->n_bytes - file->at;
  if (n_bytes > left)
    n_bytes = left;
  if (n_bytes <= 0)
    return 0;
  memcpy(to, file->bytes + file->at, (size_t)n_bytes);
  file->at += n_bytes;
  return n_bytes;
}

static sf_count_t memory_write(const void *from, sf_count_t n_bytes, void *payload)
{
  (void)from, (void)n_bytes, (void)payload;
  return 0;
}

static sf_count_t memory_tell(void *payload)
{
  return ((memory_file *)payload)->at;
}

rb_status rb_file_load_bytes(const void *bytes, size_t n_bytes, const char *name,
                             rb_file_channels channels, rb_arena *arena, rb_capture *capture,
                             rb_file_info *info, rb_err *err)
{
  if (n_bytes == 0)
    return rb_fail(err, RB_FORMAT, "'%s' is empty.", name);
  memory_file memory = {.bytes = bytes, .n_bytes = (sf_count_t)n_bytes};
  SF_VIRTUAL_IO access_to = {memory_length, memory_seek, memory_read, memory_write, memory_tell};
  SF_INFO header = {0};
  SNDFILE *file = sf_open_virtual(&access_to, SFM_READ, &header, &memory);
  return load_and_close(file, name, (long long)n_bytes, &header, channels, arena, capture, info,
                        err);
}

// ---- writing ------------------------------------------------------------------------------------

static rb_status check_writable(const char *path, const rb_capture *capture, rb_file_width width,
                                rb_err *err)
{
  size_t n_samples = capture->n_frames * capture->n_channels;
  if (!n_samples)
    return rb_fail(err, RB_BAD_ARG, "'%s' was not written: there are no frames.", path);
  for (size_t i = 0; i < n_samples; i++)
    if (!isfinite(capture->frames[i]) ||
        (width == RB_FILE_PCM_24 && fabsf(capture->frames[i]) > 1.0f))
      return rb_fail(err, RB_BAD_ARG, "'%s' was not written: frame %zu is out of range (%g).", path,
                     i / capture->n_channels, (double)capture->frames[i]);
  return RB_OK;
}

// 24 bit exactly: libsndfile's own conversion scales by 2²³ − 1 and reads by 2²³.
static void to_24_bit(const float *samples, size_t n, int *words)
{
  for (size_t i = 0; i < n; i++) {
    long word = lrint((double)samples[i] * 0x1p23);
    words[i] = (int)((word > 0x7fffff ? 0x7fffff : word) * 256);
  }
}

static size_t write_24_bit(SNDFILE *file, const float *samples, size_t n_samples)
{
  int words[2 * READ_FRAMES];
  size_t done = 0;
  while (done < n_samples) {
    size_t n = n_samples - done < RB_LEN(words) ? n_samples - done : RB_LEN(words);
    to_24_bit(samples + done, n, words);
    if (sf_write_int(file, words, (sf_count_t)n) != (sf_count_t)n)
      break;
    done += n;
  }
  return done;
}

static rb_status write_open(SNDFILE *file, const char *path, const rb_capture *capture,
                            rb_file_width width, rb_err *err)
{
  size_t n_samples = capture->n_frames * capture->n_channels;
  errno = 0;
  size_t written = width == RB_FILE_PCM_24
                       ? write_24_bit(file, capture->frames, n_samples)
                       : (size_t)sf_write_float(file, capture->frames, (sf_count_t)n_samples);
  sf_write_sync(file);
  if (written != n_samples || sf_error(file) != SF_ERR_NO_ERROR)
    return rb_fail(err, RB_IO, "Writing '%s': %s.", path,
                   errno ? strerror(errno) : sf_strerror(file));
  return RB_OK;
}

static rb_status write_temporary(int descriptor, const char *path, const rb_capture *capture,
                                 rb_file_width width, rb_err *err)
{
  SF_INFO header = {.samplerate = (int)lround(capture->rate_hz),
                    .channels = (int)capture->n_channels,
                    .format = SF_FORMAT_WAV |
                              (width == RB_FILE_PCM_24 ? SF_FORMAT_PCM_24 : SF_FORMAT_FLOAT)};
  SNDFILE *file = sf_open_fd(descriptor, SFM_WRITE, &header, SF_FALSE);
  if (!file)
    return rb_fail(err, RB_IO, "Writing '%s': %s.", path, sf_strerror(NULL));
  sf_command(file, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE); // it holds the time of writing
  rb_status status = write_open(file, path, capture, width, err);
  // The header's sizes are written on closing: a full disk may show only now.
  int closed = sf_close(file);
  if (status == RB_OK && closed != 0)
    status = rb_fail(err, RB_IO, "Writing '%s': %s.", path, sf_error_number(closed));
  if (status == RB_OK && fsync(descriptor) != 0)
    status = rb_fail(err, RB_IO, "Writing '%s': %s.", path, strerror(errno));
  return status;
}

rb_status rb_file_save(const char *path, const rb_capture *capture, rb_file_width width,
                       rb_err *err)
{
  RB_TRY(check_writable(path, capture, width, err));
  rb_text temporary = {0};
  rb_text_printf(&temporary, "%s.XXXXXX", path);
  if (temporary.failed)
    return rb_fail(err, RB_NO_MEM, "'%s' was not written: out of memory.", path);
  rb_status status = RB_OK;
  int descriptor = mkstemp(temporary.bytes);
  if (descriptor < 0) {
    status = rb_fail(err, RB_IO, "Writing '%s': %s.", path, strerror(errno));
  } else {
    status = write_temporary(descriptor, path, capture, width, err);
    mode_t mask = umask(0);
    umask(mask);
    fchmod(descriptor, 0666 & ~mask);
    close(descriptor);
    if (status == RB_OK && rename(temporary.bytes, path) != 0)
      status = rb_fail(err, RB_IO, "Writing '%s': %s.", path, strerror(errno));
    if (status != RB_OK)
      unlink(temporary.bytes);
  }
  rb_text_free(&temporary);
  return status;
}
