// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/swap_guide.h"

#include "rollbook/base/clock.h"
#include "rollbook/cli/stock.h"

#include <math.h>
#include <string.h>

static rb_status bad_letters(const char *like, rb_err *err)
{
  return rb_fail(err, RB_BAD_ARG,
                 "'%.60s' is no order of sittings: write letters with commas between them, A,B,A "
                 "for there, across and back; A is the first line-up named, B the second.",
                 like);
}

static rb_status read_letters(const char *like, rb_swap_guide *guide, rb_err *err)
{
  for (const char *at = like;; at++) {
    char letter = (char)(*at >= 'a' && *at <= 'z' ? *at - 'a' + 'A' : *at);
    if (letter < 'A' || letter >= 'A' + RB_SWAP_MOST_LINEUPS || guide->n == RB_SWAP_MOST_STEPS)
      return bad_letters(like, err);
    guide->letters[guide->n++] = letter;
    if (*++at == '\0')
      return guide->n < 2 ? bad_letters(like, err) : RB_OK;
    if (*at != ',')
      return bad_letters(like, err);
  }
}

static rb_status check_lineups(const rb_swap_guide *guide, rb_err *err)
{
  for (size_t i = 1; i < guide->n_lineups; i++) {
    if (guide->lineups[i].amplifier.id != guide->lineups[0].amplifier.id)
      return rb_fail(err, RB_BAD_ARG, "'%s' and '%s' are line-ups of different amplifiers.",
                     guide->lineups[0].name, guide->lineups[i].name);
    for (size_t k = 0; k < i; k++)
      if (guide->lineups[i].id == guide->lineups[k].id)
        return rb_fail(err, RB_BAD_ARG, "'%s' was named twice.", guide->lineups[i].name);
  }
  for (size_t i = 0; i < guide->n; i++)
    if ((size_t)(guide->letters[i] - 'A') >= guide->n_lineups)
      return rb_fail(err, RB_BAD_ARG,
                     "--like has a sitting of %c, but only %zu line-up%s named: `rollbook measure "
                     "A B --like A,B,A`.",
                     guide->letters[i], guide->n_lineups, guide->n_lineups == 1 ? " is" : "s are");
  for (size_t k = 0; k < guide->n_lineups; k++)
    if (!strchr(guide->letters, 'A' + (int)k))
      return rb_fail(err, RB_BAD_ARG, "'%s' is named, but --like has no sitting of %c.",
                     guide->lineups[k].name, 'A' + (int)k);
  return RB_OK;
}

rb_status rb_swap_guide_read(rb_console *console, const char *like, const rb_arguments *arguments,
                             rb_book *book, rb_swap_guide *guide, rb_err *err)
{
  *guide = (rb_swap_guide){.n = 0};
  RB_TRY(read_letters(like, guide, err));
  guide->n_lineups = rb_argument_n_words(arguments);
  if (guide->n_lineups > RB_SWAP_MOST_LINEUPS)
    return rb_fail(err, RB_BAD_ARG, "At most %d line-ups go into one session.",
                   RB_SWAP_MOST_LINEUPS);
  for (size_t i = 0; i < guide->n_lineups; i++)
    RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, i), &guide->lineups[i], err));
  return check_lineups(guide, err);
}

const rb_lineup *rb_swap_guide_lineup(const rb_swap_guide *guide, size_t step)
{
  return &guide->lineups[guide->letters[step] - 'A'];
}

// ---- what to do
// ----------------------------------------------------------------------------------

static const char *tube_words(const rb_fitting *fitting)
{
  return fitting ? fitting->tube.label : "(not entered)";
}

static void say_all_sockets(rb_console *console, const rb_lineup *lineup)
{
  for (size_t i = 0; i < lineup->n_fittings; i++)
    rb_console_say(console, "  %s: %s", lineup->fittings[i].socket, lineup->fittings[i].tube.label);
}

static void say_bias(rb_console *console, const rb_socket *socket, const rb_fitting *to)
{
  if (to && to->bias_ma > 0)
    rb_console_say(console, "  %s: set %g mA as the amplifier's maker says, once it is warm",
                   socket->name, to->bias_ma);
}

static void say_exchanges(rb_console *console, const rb_lineup *from, const rb_lineup *to)
{
  size_t n = 0;
  for (size_t i = 0; i < to->amplifier.n_sockets; i++) {
    const rb_socket *socket = &to->amplifier.sockets[i];
    const rb_fitting *out = rb_lineup_fitting(from, socket->name);
    const rb_fitting *in = rb_lineup_fitting(to, socket->name);
    bool same_tube = out == in || (out && in && out->tube.id == in->tube.id);
    if (!same_tube) {
      rb_console_say(console, "  %s (%s): %s out, %s in", socket->name, rb_role_name(socket->role),
                     tube_words(out), tube_words(in));
      n++;
    }
    if (in && (!same_tube || fabs((out ? out->bias_ma : 0) - in->bias_ma) > 1e-9))
      say_bias(console, socket, in);
  }
  if (!n)
    rb_console_say(console, "  The same tubes out of their sockets and in again: this shows what "
                            "reseating alone does.");
}

static void say_step(rb_console *console, const rb_swap_guide *guide, size_t step)
{
  const rb_lineup *lineup = rb_swap_guide_lineup(guide, step);
  rb_console_say(console, "\nSitting %zu of %zu: %c, '%s'.", step + 1, guide->n,
                 guide->letters[step], lineup->name);
  if (step == 0) {
    rb_console_say(console, "These tubes are in:");
    say_all_sockets(console, lineup);
    return;
  }
  rb_console_say(console, "Off, unplugged and cold; then:");
  say_exchanges(console, rb_swap_guide_lineup(guide, step - 1), lineup);
}

// ---- waiting
// -------------------------------------------------------------------------------------

static rb_status cool_down(rb_console *console, double cool_down_s, rb_err *err)
{
  double end_s = rb_now_s() + cool_down_s;
  if (cool_down_s > 0)
    rb_console_say(console,
                   "Switch off and unplug now. %g minutes to cool; Ctrl-C stops, finished "
                   "sittings stay.",
                   cool_down_s / 60);
  for (double left_s = cool_down_s; left_s > 0; left_s = end_s - rb_now_s()) {
    if (rb_cancel_requested(console->cancel))
      return rb_fail(err, RB_CANCELLED, "Stopped while cooling; finished sittings stay.");
    if (console->live_line && !console->quiet)
      fprintf(console->err, "\rcooling, %ld:%02ld left\033[K", lround(left_s) / 60,
              lround(left_s) % 60);
    rb_sleep_s(fmin(left_s, 0.25));
  }
  if (console->live_line && !console->quiet)
    fputs("\r\033[K", console->err);
  return RB_OK;
}

static rb_status ask_ready(rb_console *console, bool first, rb_err *err)
{
  char answer[16];
  if (!console->can_ask)
    return rb_fail(err, RB_UNSAFE,
                   "A whole swap needs someone at the bench to exchange tubes, and there is no "
                   "terminal to ask on. A script measures one line-up at a time.");
  const char *question = first ? "Are these tubes in, and the amplifier on? Type yes to go on:"
                               : "Exchanged cold, load connected, and on again? Type yes to go on:";
  RB_TRY(rb_console_ask(console, question, answer, sizeof answer, err));
  if (strcmp(answer, "yes") == 0 || strcmp(answer, "y") == 0)
    return RB_OK;
  return rb_fail(err, RB_CANCELLED, "Stopped before this sitting; finished sittings stay.");
}

rb_status rb_swap_guide_get_ready(rb_console *console, const rb_swap_guide *guide, size_t step,
                                  bool simulated, double cool_down_s, rb_err *err)
{
  say_step(console, guide, step);
  if (simulated)
    return RB_OK;
  if (step > 0)
    RB_TRY(cool_down(console, cool_down_s, err));
  return ask_ready(console, step == 0, err);
}
