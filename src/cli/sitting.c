// SPDX-License-Identifier: GPL-3.0-or-later
#include "sitting.h"

#include "rollbook/base/text.h"
#include "rollbook/report/words.h"

#include <math.h>
#include <string.h>

static const char *const safety[] = {
#define SAFETY_RULE(text) text,
#include "safety.def"
#undef SAFETY_RULE
};

rb_status rb_agree_to_safety(rb_console *console, bool yes, rb_err *err)
{
  if (!console->quiet || !yes) {
    fputs("Before every sitting:\n", console->err);
    for (size_t i = 0; i < RB_LEN(safety); i++) {
      fprintf(console->err, "  %zu. ", i + 1);
      rb_wrap(console->err, safety[i], 5, 5);
    }
  }
  if (yes)
    return RB_OK;
  if (!console->can_ask)
    return rb_fail(
        err, RB_UNSAFE,
        "The safety list must be agreed to, and there is no terminal to ask on. A script "
        "that speaks for someone at the bench adds --yes.");
  char answer[16];
  RB_TRY(
      rb_console_ask(console, "Is all of this so? Type yes to go on:", answer, sizeof answer, err));
  if (strcmp(answer, "yes") == 0 || strcmp(answer, "y") == 0)
    return RB_OK;
  return rb_fail(err, RB_CANCELLED, "Nothing was played: the safety list was not agreed to.");
}

rb_status rb_choose_plan(const char *name, double power_w, rb_plan *plan, rb_err *err)
{
  RB_TRY(rb_plan_find(name, plan, err));
  for (size_t i = 0; i < plan->n_steps; i++) {
    rb_signal signal;
    const rb_procedure *procedure = NULL;
    RB_TRY(rb_signal_find(plan->steps[i].signal, &signal, err));
    RB_TRY(rb_procedure_for(&signal, &procedure, err));
  }
  if (power_w > 0) {
    double scale = power_w / plan->reference_power_w;
    for (size_t i = 0; i < plan->n_steps; i++)
      plan->steps[i].power_w *= scale;
    plan->reference_power_w = power_w;
  }
  return RB_OK;
}

rb_status rb_device_status(rb_status status, rb_err *err)
{
  bool device = status == RB_NOT_FOUND || status == RB_UNSUPPORTED;
  if (device && err)
    err->status = RB_DEVICE;
  return device ? RB_DEVICE : status;
}

// ---- progress

enum { LIVE_EVERY_MS = 100, PLAIN_EVERY_MS = 10000 };

static double now_s(void)
{
  const rb_clock *clock = rb_clock_system();
  return clock->monotonic_s(clock->payload);
}

static void end_line(rb_watch *watch)
{
  if (watch->line_open)
    fputs("\r\033[K", watch->console->err);
  watch->line_open = false;
}

static void show_stage(rb_watch *watch, const char *text)
{
  rb_text_copy(watch->stage, sizeof watch->stage, text);
  if (!watch->console->live_line)
    fprintf(watch->console->err, "%s\n", text);
  watch->shown_at_s = watch->console->live_line ? 0 : now_s();
}

static void show_progress(rb_watch *watch, const rb_event *event)
{
  double now = now_s();
  bool live = watch->console->live_line;
  if ((now - watch->shown_at_s) * 1000 < (live ? LIVE_EVERY_MS : PLAIN_EVERY_MS))
    return;
  watch->shown_at_s = now;
  char level[RB_FIGURE_SIZE + 16] = "";
  if (event->level_vrms > 0)
    snprintf(level, sizeof level, ", %s at the load", rb_figure_prose(event->level_vrms, "V").text);
  long left_s = lround(ceil(event->remaining_s));
  char line[240];
  snprintf(line, sizeof line, "%.46s: %.0f of %.0f s, %ld:%02ld left%s", watch->stage,
           event->done_s, event->total_s, left_s / 60, left_s % 60, level);
  if (live)
    fprintf(watch->console->err, "\r%s\033[K", line);
  else
    fprintf(watch->console->err, "  %s\n", line);
  fflush(watch->console->err);
  watch->line_open = live;
}

static void tell(void *payload, const rb_event *event)
{
  rb_watch *watch = payload;
  if (event->kind == RB_EVENT_PASS && watch->on_pass)
    watch->on_pass(watch->payload, event);
  if (watch->console->quiet)
    return;
  if (event->kind == RB_EVENT_PROGRESS) {
    show_progress(watch, event);
    return;
  }
  end_line(watch);
  if (event->kind == RB_EVENT_STAGE)
    show_stage(watch, event->text ? event->text : "");
  else if (event->text)
    rb_console_say(watch->console, "%s", event->text);
  fflush(watch->console->err);
}

rb_watcher rb_watch_events(rb_watch *watch)
{
  return (rb_watcher){.tell = tell, .payload = watch};
}

void rb_watch_end(rb_watch *watch)
{
  end_line(watch);
  fflush(watch->console->err);
}
