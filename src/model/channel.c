// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/model/channel.h"

#include <string.h>

static const char *const names[] = {[RB_LEFT] = "left", [RB_RIGHT] = "right", [RB_BOTH] = "both"};

const char *rb_channel_name(rb_channel channel)
{
  return (unsigned)channel < RB_LEN(names) ? names[channel] : "unknown";
}

rb_status rb_channel_from_name(const char *name, rb_channel *channel)
{
  for (unsigned i = 0; i < RB_LEN(names); i++)
    if (strcmp(name, names[i]) == 0) {
      *channel = (rb_channel)i;
      return RB_OK;
    }
  return RB_BAD_ARG;
}
