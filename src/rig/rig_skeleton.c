// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/rig.h"

#include <stdlib.h>
#include <string.h>

// A kind of rig to start from: compiled, so that it cannot rot, and not in rigs.def, so that nobody
// can open it. Copy it to rig_<scheme>.c, rename the table at the end to rb_rig_<scheme>, add the
// row RIG(<scheme>) to rigs.def, and put the real thing where a comment says "here". As it stands
// it is a wire: what is played is what is captured.

typedef struct wire {
  double rate_hz; // here: the handle of the device
} wire;

static rb_status scan(void (*visit)(void *payload, const char *uri, const char *description),
                      void *payload, rb_err *err)
{
  (void)err; // here: ask the system what there is, one call each
  visit(payload, "skeleton:", "a wire from the output to the input");
  return RB_OK;
}

static rb_status open_wire(const char *rest, const rb_rig_want *want, void **self,
                           rb_rig_caps *granted, rb_err *err)
{
  // The front end has checked the rate's range and the pointers. What stands behind the scheme, and
  // whether the device takes this rate and these channels, only the rig can know.
  if (*rest)
    return rb_fail(err, RB_NOT_FOUND, "skeleton: knows no device '%s'; leave it empty.", rest);
  wire *fresh = calloc(1, sizeof *fresh);
  if (!fresh)
    return rb_fail(err, RB_NO_MEM, "Out of memory while opening the wire.");
  fresh->rate_hz = want->rate_hz;
  *granted = (rb_rig_caps){
      .title = "a wire", .rate_hz = want->rate_hz, .paced = false, .plays = true, .input_bits = 24};
  *self = fresh;
  return RB_OK;
}

static rb_status exchange_wire(void *self, const rb_exchange *exchange, rb_capture *capture,
                               rb_err *err)
{
  wire *me = self;
  // here: start, then in slices short against 50 ms: look at the wish to stop and at the input's
  // peak (fade over `ramp_frames`, then RB_CANCELLED or RB_CLIPPED), tell the progress, and give up
  // with RB_DEVICE when nothing moves for `stall_s`.
  if (rb_cancel_requested(exchange->cancel))
    return rb_fail(err, RB_CANCELLED, "Cancelled; the sound has faded out.");
  memcpy(capture->frames, exchange->play, exchange->n_frames * 2 * sizeof *capture->frames);
  rb_progress_tell(&exchange->progress, (double)exchange->n_frames / me->rate_hz,
                   (double)exchange->n_frames / me->rate_hz);
  return RB_OK;
}

static void close_wire(void *self)
{
  free(self);
}

extern const rb_rig_ops rb_rig_skeleton; // a rig with a row is declared by rig.c
const rb_rig_ops rb_rig_skeleton = {
    .scheme = "skeleton",
    .summary = "A wire; not for use.",
    .scan = scan,
    .open = open_wire,
    .exchange = exchange_wire,
    .close = close_wire,
};
