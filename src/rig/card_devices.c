// SPDX-License-Identifier: GPL-3.0-or-later
#include "card_devices.h"
#include "rollbook/base/text.h"

#include <portaudio.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static const char *api_name(const PaDeviceInfo *device)
{
  const PaHostApiInfo *api = Pa_GetHostApiInfo(device->hostApi);
  return api ? api->name : "?";
}

static void describe(const PaDeviceInfo *device, char *text, size_t size)
{
  snprintf(text, size, "%s (%s, %d in, %d out, %g Hz)", device->name, api_name(device),
           device->maxInputChannels, device->maxOutputChannels, device->defaultSampleRate);
}

void card_devices_list(void (*visit)(void *payload, const char *uri, const char *description),
                       void *payload)
{
  for (int i = 0; i < Pa_GetDeviceCount(); i++) {
    const PaDeviceInfo *device = Pa_GetDeviceInfo(i);
    char uri[160], text[RB_MESSAGE_SIZE];
    int length = snprintf(uri, sizeof uri, "card:api=%s;name=%s", api_name(device), device->name);
    if (length < 0 || (size_t)length >= sizeof uri || strchr(device->name, ';'))
      snprintf(uri, sizeof uri, "card:%d", i);
    describe(device, text, sizeof text);
    visit(payload, uri, text);
  }
}

// ---- finding ------------------------------------------------------------------------------------

typedef enum direction { INPUT, OUTPUT } direction;

static int channels_of(const PaDeviceInfo *device, direction way)
{
  return way == INPUT ? device->maxInputChannels : device->maxOutputChannels;
}

static bool api_matches(const PaDeviceInfo *device, const char *api)
{
  return !*api || strcasestr(api_name(device), api);
}

// What there is, as far as the message has room.
static rb_status none_of(rb_status status, const char *what, rb_err *err)
{
  rb_text list = {0};
  int n_left = 0;
  for (int i = 0; i < Pa_GetDeviceCount(); i++) {
    char text[RB_MESSAGE_SIZE];
    describe(Pa_GetDeviceInfo(i), text, sizeof text);
    if (list.length + strlen(text) > 340)
      n_left++;
    else
      rb_text_printf(&list, "%s%s", list.length ? "; " : "", text);
  }
  if (n_left)
    rb_text_printf(&list, "; and %d more", n_left);
  if (list.length)
    rb_fail(err, status, "%s. There are: %s.", what, list.bytes);
  else
    rb_fail(err, status,
            "%s. No sound device is here at all: is a card connected, does the sound "
            "server run?",
            what);
  rb_text_free(&list);
  return status;
}

// The one device of that name: exactly, else the only one whose name holds it. A name that stands
// under several host APIs is taken from the first.
static int find_name(const card_spec *spec, const char *name, direction way, int *n_found)
{
  int found = paNoDevice;
  *n_found = 0;
  for (int pass = 0; pass < 2 && found == paNoDevice; pass++) {
    for (int i = 0; i < Pa_GetDeviceCount(); i++) {
      const PaDeviceInfo *device = Pa_GetDeviceInfo(i);
      bool matches =
          pass == 0 ? strcmp(device->name, name) == 0 : strcasestr(device->name, name) != NULL;
      if (!matches || !api_matches(device, spec->api) || channels_of(device, way) < 1)
        continue;
      if (found != paNoDevice && pass == 0)
        continue;
      found = i;
      ++*n_found;
    }
  }
  return found;
}

// Without a name: the default of the host API asked for, or of the first.
static int find_default(const card_spec *spec, direction way)
{
  if (!*spec->api)
    return way == INPUT ? Pa_GetDefaultInputDevice() : Pa_GetDefaultOutputDevice();
  for (int i = 0; i < Pa_GetHostApiCount(); i++) {
    const PaHostApiInfo *api = Pa_GetHostApiInfo(i);
    if (strcasestr(api->name, spec->api))
      return way == INPUT ? api->defaultInputDevice : api->defaultOutputDevice;
  }
  return paNoDevice;
}

static rb_status find_one(const card_spec *spec, direction way, int *found, rb_err *err)
{
  const char *name = way == INPUT ? spec->in : spec->out;
  int number = way == INPUT ? spec->in_number : spec->out_number;
  const char *words = way == INPUT ? "input" : "output";
  char what[RB_MESSAGE_SIZE / 2];
  int n_found = 1;
  *found = !*name ? find_default(spec, way) : number;
  if (*name && number < 0)
    *found = find_name(spec, name, way, &n_found);
  if (n_found > 1) {
    snprintf(what, sizeof what, "'%.80s' is part of the name of %d sound devices; name one", name,
             n_found);
    return none_of(RB_BAD_ARG, what, err);
  }
  const PaDeviceInfo *device = *found >= 0 ? Pa_GetDeviceInfo(*found) : NULL;
  if (device && channels_of(device, way) > 0)
    return RB_OK;
  if (*name)
    snprintf(what, sizeof what, "There is no sound device '%.80s' with an %s", name, words);
  else
    snprintf(what, sizeof what, "There is no default sound device with an %s", words);
  if (*spec->api)
    snprintf(what + strlen(what), sizeof what - strlen(what), " under '%.60s'", spec->api);
  return none_of(RB_NOT_FOUND, what, err);
}

rb_status card_devices_find(const card_spec *spec, card_pair *found, rb_err *err)
{
  RB_TRY(find_one(spec, OUTPUT, &found->out, err));
  RB_TRY(find_one(spec, INPUT, &found->in, err));
  const PaDeviceInfo *in = Pa_GetDeviceInfo(found->in), *out = Pa_GetDeviceInfo(found->out);
  if (in->hostApi == out->hostApi)
    return RB_OK;
  return rb_fail(err, RB_BAD_ARG,
                 "'%.80s' (%s) and '%.80s' (%s) belong to two sound systems; choose both from one.",
                 out->name, api_name(out), in->name, api_name(in));
}

void card_devices_title(card_pair pair, char *title, size_t size)
{
  const PaDeviceInfo *in = Pa_GetDeviceInfo(pair.in), *out = Pa_GetDeviceInfo(pair.out);
  if (pair.in == pair.out || strcmp(in->name, out->name) == 0)
    snprintf(title, size, "%.90s (%s)", out->name, api_name(out));
  else
    snprintf(title, size, "%.50s → %.50s (%s)", out->name, in->name, api_name(out));
}
