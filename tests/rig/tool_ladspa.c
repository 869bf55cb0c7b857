// SPDX-License-Identifier: GPL-3.0-or-later
// Runs a LADSPA plugin over a file, one instance a channel: what a sound server's device under test
// should have made of it.
//
//   tool_ladspa PLUGIN.so LABEL CONTROL,CONTROL IN.wav OUT.wav     (controls in the order of ports)
#include "rollbook/rig/file.h"

#include <dlfcn.h>
#include <ladspa.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { BLOCK = 1024, MOST_CONTROLS = 16 };

static const LADSPA_Descriptor *find(const char *path, const char *label)
{
  void *library = dlopen(path, RTLD_NOW);
  LADSPA_Descriptor_Function list = NULL;
  if (library)
    *(void **)&list = dlsym(library, "ladspa_descriptor");
  for (unsigned long i = 0; list; i++) {
    const LADSPA_Descriptor *plugin = list(i);
    if (!plugin || strcmp(plugin->Label, label) == 0)
      return plugin;
  }
  return NULL;
}

static LADSPA_Handle connect(const LADSPA_Descriptor *plugin, unsigned long rate_hz,
                             LADSPA_Data *controls, const LADSPA_Data *in, LADSPA_Data *out)
{
  static LADSPA_Data ignored[MOST_CONTROLS];
  LADSPA_Handle instance = plugin->instantiate(plugin, rate_hz);
  size_t n_controls = 0, n_ignored = 0;
  for (unsigned long port = 0; port < plugin->PortCount; port++) {
    LADSPA_PortDescriptor kind = plugin->PortDescriptors[port];
    LADSPA_Data *place = &ignored[n_ignored];
    if (LADSPA_IS_PORT_AUDIO(kind))
      place = LADSPA_IS_PORT_INPUT(kind) ? (LADSPA_Data *)(size_t)in : out;
    else if (LADSPA_IS_PORT_INPUT(kind))
      place = &controls[n_controls++];
    else
      n_ignored++;
    plugin->connect_port(instance, port, place);
  }
  if (plugin->activate)
    plugin->activate(instance);
  return instance;
}

static void process(const LADSPA_Descriptor *plugin, LADSPA_Data *controls, unsigned channel,
                    rb_capture *capture)
{
  LADSPA_Data in[BLOCK], out[BLOCK];
  LADSPA_Handle instance = connect(plugin, (unsigned long)capture->rate_hz, controls, in, out);
  for (size_t first = 0; first < capture->n_frames; first += BLOCK) {
    size_t left = capture->n_frames - first, n = left < BLOCK ? left : BLOCK;
    float *at = capture->frames + first * capture->n_channels + channel;
    for (size_t i = 0; i < n; i++)
      in[i] = at[i * capture->n_channels];
    plugin->run(instance, n);
    for (size_t i = 0; i < n; i++)
      at[i * capture->n_channels] = out[i];
  }
  plugin->cleanup(instance);
}

int main(int argc, char **argv)
{
  if (argc != 6)
    return 2;
  const LADSPA_Descriptor *plugin = find(argv[1], argv[2]);
  LADSPA_Data controls[MOST_CONTROLS] = {0};
  size_t n_controls = 0;
  for (char *part = strtok(argv[3], ","); part && n_controls < MOST_CONTROLS;
       part = strtok(NULL, ","))
    controls[n_controls++] = (LADSPA_Data)atof(part);
  rb_arena *arena = rb_arena_new(0);
  rb_capture capture;
  rb_err err = {0};
  rb_status status = plugin
                         ? rb_file_load(argv[4], (rb_file_channels){0}, arena, &capture, NULL, &err)
                         : rb_fail(&err, RB_NOT_FOUND, "no plugin %s in %s", argv[2], argv[1]);
  for (unsigned c = 0; status == RB_OK && c < capture.n_channels; c++)
    process(plugin, controls, c, &capture);
  if (status == RB_OK)
    status = rb_file_save(argv[5], &capture, RB_FILE_FLOAT_32, &err);
  rb_arena_free(arena);
  if (status != RB_OK)
    fprintf(stderr, "%s\n", err.message);
  return status == RB_OK ? 0 : 1;
}
