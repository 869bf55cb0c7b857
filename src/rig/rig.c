// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/rig.h"

#include <stdlib.h>
#include <string.h>

#define RIG(scheme) extern const rb_rig_ops rb_rig_##scheme;
#include "rigs.def"
#undef RIG

static const rb_rig_ops *const kinds[] = {
#define RIG(scheme) &rb_rig_##scheme,
#include "rigs.def"
#undef RIG
    NULL,
};

struct rb_rig {
  const rb_rig_ops *ops;
  void *self;
  rb_rig_caps caps;
};

static const rb_rig_ops *kind_of(const char *uri, const char **rest)
{
  for (const rb_rig_ops *const *kind = kinds; *kind; kind++) {
    size_t length = strlen((*kind)->scheme);
    if (strncmp(uri, (*kind)->scheme, length) == 0 && uri[length] == ':') {
      *rest = uri + length + 1;
      return *kind;
    }
  }
  return NULL;
}

rb_status rb_rig_open(const char *uri, const rb_rig_want *want, rb_rig **rig, rb_err *err)
{
  *rig = NULL;
  const char *rest = NULL;
  const rb_rig_ops *ops = kind_of(uri, &rest);
  if (!ops)
    return rb_fail(err, RB_BAD_ARG,
                   "'%s' names no rig. Use card:NAME, sim: or file:PATH; `rollbook bench devices` "
                   "lists what is here.",
                   uri);
  return rb_rig_open_kind(ops, rest, want, rig, err);
}

rb_status rb_rig_open_kind(const rb_rig_ops *ops, const char *rest, const rb_rig_want *want,
                           rb_rig **rig, rb_err *err)
{
  *rig = NULL;
  if (!(want->rate_hz >= 8000 && want->rate_hz <= 768000))
    return rb_fail(err, RB_BAD_ARG, "A sample rate of %g Hz is out of the range 8000 to 768000.",
                   want->rate_hz);
  rb_rig *fresh = calloc(1, sizeof *fresh);
  if (!fresh)
    return rb_fail(err, RB_NO_MEM, "Out of memory while opening '%s:%s'.", ops->scheme, rest);
  fresh->ops = ops;
  rb_status status = ops->open(rest, want, &fresh->self, &fresh->caps, err);
  if (status != RB_OK) {
    free(fresh);
    return status;
  }
  *rig = fresh;
  return RB_OK;
}

void rb_rig_close(rb_rig *rig)
{
  if (!rig)
    return;
  rig->ops->close(rig->self);
  free(rig);
}

const rb_rig_caps *rb_rig_granted(const rb_rig *rig)
{
  return &rig->caps;
}

rb_status rb_rig_exchange(rb_rig *rig, const rb_exchange *exchange, rb_capture *capture,
                          rb_err *err)
{
  if ((!exchange->play && rig->caps.plays) || !exchange->n_frames || !capture->frames)
    return rb_fail(err, RB_BUG, "An exchange with no frames was asked for.");
  capture->n_frames = exchange->n_frames;
  capture->n_channels = 2;
  capture->rate_hz = rig->caps.rate_hz;
  capture->health = (rb_health){.usable = true};
  return rig->ops->exchange(rig->self, exchange, capture, err);
}

rb_status rb_rig_wait(rb_rig *rig, double duration_s, const rb_cancel *cancel, rb_err *err)
{
  return rig->ops->wait ? rig->ops->wait(rig->self, duration_s, cancel, err) : RB_OK;
}

double rb_rig_since_power_on_s(rb_rig *rig)
{
  return rig->ops->since_power_on_s ? rig->ops->since_power_on_s(rig->self) : -1.0;
}

double rb_rig_meter_vrms(rb_rig *rig, unsigned channel)
{
  return rig->ops->meter_vrms ? rig->ops->meter_vrms(rig->self, channel) : -1.0;
}

rb_status rb_rig_tap(rb_rig *rig, const char *socket, rb_err *err)
{
  if (!rig->ops->tap)
    return rb_fail(err, RB_UNSUPPORTED, "Nobody but you can knock on the tubes of this rig.");
  return rig->ops->tap(rig->self, socket, err);
}

rb_status rb_rig_scan(void (*visit)(void *payload, const char *uri, const char *description),
                      void *payload, rb_err *err)
{
  rb_status first = RB_OK;
  for (const rb_rig_ops *const *kind = kinds; *kind; kind++) {
    rb_status status = (*kind)->scan ? (*kind)->scan(visit, payload, first ? NULL : err) : RB_OK;
    first = first ? first : status;
  }
  return first;
}
