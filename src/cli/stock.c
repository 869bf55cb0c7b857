// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/stock.h"

#include "rollbook/base/text.h"

#include <errno.h>
#include <stddef.h>
#include <string.h>
#include <sys/stat.h>

rb_status rb_make_folders(rb_console *console, const char *folder, rb_err *err)
{
  char *path = rb_arena_copy(console->arena, folder);
  if (!path)
    return rb_fail(err, RB_NO_MEM, "Out of memory while making '%.200s'.", folder);
  for (char *at = path + 1;; at++) {
    char here = *at;
    if (here != '/' && here)
      continue;
    *at = '\0';
    if (mkdir(path, 0777) != 0 && errno != EEXIST)
      return rb_fail(err, RB_STORAGE, "The folder '%.300s' cannot be made: %s.", path,
                     strerror(errno));
    *at = here;
    if (!here)
      return RB_OK;
  }
}

static rb_status no_book(const rb_console *console, rb_err *err)
{
  return rb_fail(err, RB_STORAGE,
                 "There is no book at '%.200s' yet. `rollbook amp add` begins one there, `rollbook "
                 "demo` makes one with invented data; --book DIR or ROLLBOOK_BOOK names another "
                 "place.",
                 console->book_folder);
}

// The folder that is to hold the usual book; a chosen one must have a parent already.
static rb_status make_usual_place(rb_console *console, rb_err *err)
{
  const char *slash = strrchr(console->book_folder, '/');
  if (console->book_chosen || !slash || slash == console->book_folder)
    return RB_OK;
  return rb_make_folders(
      console, rb_cell(console, "%.*s", (int)(slash - console->book_folder), console->book_folder),
      err);
}

rb_status rb_with_book(rb_console *console, const rb_arguments *arguments, rb_book_mode mode,
                       rb_book_work *work, rb_err *err)
{
  if (mode == RB_BOOK_CREATE)
    RB_TRY(make_usual_place(console, err));
  rb_book *book = NULL;
  rb_status status = rb_book_open(console->book_folder, mode, &book, err);
  if (status == RB_NOT_FOUND)
    return no_book(console, err);
  if (status == RB_OK)
    status = work(console, arguments, book, err);
  rb_book_close(book);
  return status;
}

// "There is no tube 'X'. Did you mean 'Y'?", or the names there are.
static rb_status no_such(rb_console *console, const char *kind, const char *command,
                         const char *name, const char **names, size_t n, rb_err *err)
{
  enum { SHOWN = 6 };
  if (!n)
    return rb_fail(err, RB_NOT_FOUND,
                   "There is no %s '%.100s'; the book at '%.150s' has none yet. `rollbook %s` adds "
                   "one.",
                   kind, name, console->book_folder, command);
  const char *near = rb_nearest_word(name, names, n);
  if (near)
    return rb_fail(err, RB_NOT_FOUND, "There is no %s '%.100s'. Did you mean '%s'?", kind, name,
                   near);
  const char *list = "";
  for (size_t i = 0; i < n && i < SHOWN; i++)
    list = rb_cell(console, "%s%s'%.40s'", list, i ? ", " : "", names[i]);
  return rb_fail(err, RB_NOT_FOUND, "There is no %s '%.100s'. There are: %s%s.", kind, name, list,
                 n > SHOWN ? " and more" : "");
}

// An array of things with a name at the same place in each.
typedef struct named_things {
  const void *first;
  size_t size, name_offset, n;
} named_things;

static rb_status no_such_among(rb_console *console, const char *kind, const char *command,
                               const char *name, const named_things *things, rb_err *err)
{
  const char **names = rb_arena_alloc(console->arena, things->n + 1, sizeof *names);
  const char *at = (const char *)things->first + things->name_offset;
  for (size_t i = 0; names && i < things->n; i++, at += things->size)
    names[i] = at;
  return no_such(console, kind, command, name, names, names ? things->n : 0, err);
}

static rb_status only_amplifier(rb_console *console, rb_book *book, rb_amplifier *amplifier,
                                rb_err *err)
{
  rb_amplifier *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_amplifiers(book, console->arena, &all, &n, err));
  if (n != 1)
    return rb_fail(err, RB_BAD_ARG, "Which amplifier? %s",
                   n ? "The book has several: name one; `rollbook amp list` lists them."
                     : "The book has none yet: `rollbook amp add` enters one.");
  *amplifier = all[0];
  return RB_OK;
}

rb_status rb_stock_amplifier(rb_console *console, rb_book *book, const char *name,
                             rb_amplifier *amplifier, rb_err *err)
{
  if (!name)
    return only_amplifier(console, book, amplifier, err);
  rb_status status = rb_book_amplifier(book, name, amplifier, err);
  if (status != RB_NOT_FOUND)
    return status;
  rb_amplifier *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_amplifiers(book, console->arena, &all, &n, err));
  const named_things among = {all, sizeof *all, offsetof(rb_amplifier, name), n};
  return no_such_among(console, "amplifier", "amp add", name, &among, err);
}

rb_status rb_stock_tube(rb_console *console, rb_book *book, const char *label, rb_tube *tube,
                        rb_err *err)
{
  rb_status status = rb_book_tube(book, label, tube, err);
  if (status != RB_NOT_FOUND)
    return status;
  rb_tube *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_tubes(book, console->arena, &all, &n, err));
  const named_things among = {all, sizeof *all, offsetof(rb_tube, label), n};
  return no_such_among(console, "tube", "tube add", label, &among, err);
}

rb_status rb_stock_lineup(rb_console *console, rb_book *book, const char *name, rb_lineup *lineup,
                          rb_err *err)
{
  rb_status status = rb_book_lineup(book, name, lineup, err);
  if (status != RB_NOT_FOUND)
    return status;
  rb_lineup *all = NULL;
  size_t n = 0;
  RB_TRY(rb_book_lineups(book, console->arena, &all, &n, err));
  const named_things among = {all, sizeof *all, offsetof(rb_lineup, name), n};
  return no_such_among(console, "line-up", "lineup new", name, &among, err);
}

rb_status rb_stock_text(const char *what, const char *text, char *target, size_t size, rb_err *err)
{
  if (rb_text_copy(target, size, text ? text : ""))
    return RB_OK;
  return rb_fail(err, RB_BAD_ARG, "%s is too long: at most %zu bytes, but it has %zu.", what,
                 size - 1, strlen(text));
}

rb_status rb_stock_name(const char *what, const char *text, char *target, size_t size, rb_err *err)
{
  RB_TRY(rb_stock_text(what, text, target, size, err));
  if (rb_text_is_name(target, size - 1))
    return RB_OK;
  return rb_fail(
      err, RB_BAD_ARG,
      "%s must be text in UTF-8 without line breaks or other control characters, and not "
      "empty.",
      what);
}
