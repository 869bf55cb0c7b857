// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/paths.h"
#include "rollbook/base/text.h"
#include "rollbook/stimulus/signal.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { PATH_SIZE = 4096, N_PLACES = 3 };

// ---- one file -----------------------------------------------------------------------------------

static rb_status open_text(const char *path, FILE **file, rb_err *err)
{
  struct stat about;
  *file = fopen(path, "rb");
  if (!*file)
    return rb_fail(err, errno == ENOENT ? RB_NOT_FOUND : RB_IO, "Opening %s failed: %s.", path,
                   strerror(errno));
  if (fstat(fileno(*file), &about) == 0 && S_ISREG(about.st_mode))
    return RB_OK;
  fclose(*file);
  return rb_fail(err, RB_FORMAT, "%s is not a file.", path);
}

// One byte more than allowed is read, so that the parser sees that it is too much.
static rb_status read_text(const char *path, char **text, size_t *n_bytes, rb_err *err)
{
  FILE *file = NULL;
  RB_TRY(open_text(path, &file, err));
  *text = malloc(RB_SIGNAL_FILE_BYTES + 1);
  *n_bytes = *text ? fread(*text, 1, RB_SIGNAL_FILE_BYTES + 1, file) : 0;
  bool failed = ferror(file);
  fclose(file);
  if (!*text)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading %s.", path);
  if (!failed)
    return RB_OK;
  free(*text);
  return rb_fail(err, RB_IO, "Reading %s failed.", path);
}

rb_status rb_signal_load(const char *path, rb_signal *signal, rb_err *err)
{
  char *text = NULL;
  size_t n_bytes = 0;
  RB_TRY(read_text(path, &text, &n_bytes, err));
  rb_status status = rb_signal_parse(path, text, n_bytes, signal, err);
  free(text);
  return status;
}

rb_status rb_plan_load(const char *path, rb_plan *plan, rb_err *err)
{
  char *text = NULL;
  size_t n_bytes = 0;
  RB_TRY(read_text(path, &text, &n_bytes, err));
  rb_status status = rb_plan_parse(path, text, n_bytes, plan, err);
  free(text);
  return status;
}

// ---- places -------------------------------------------------------------------------------------

static size_t places(char place[N_PLACES][PATH_SIZE])
{
  size_t n = 0;
  const char *own = getenv("ROLLBOOK_SIGNALS");
  if (own && *own)
    snprintf(place[n++], PATH_SIZE, "%s", own);
  snprintf(place[n++], PATH_SIZE, "%s/signals", rb_path_installed_data());
  snprintf(place[n++], PATH_SIZE, "%s/signals", rb_path_source_data());
  return n;
}

static bool is_path(const char *name)
{
  size_t length = strlen(name);
  return strchr(name, '/') || (length > 4 && strcmp(name + length - 4, ".ini") == 0);
}

static bool is_there(const char *path)
{
  struct stat about;
  return stat(path, &about) == 0;
}

// ---- the list -----------------------------------------------------------------------------------

static rb_signal_entry entry_of(const char *path)
{
  rb_signal_entry entry = {0};
  rb_signal signal;
  rb_plan plan;
  rb_text_copy(entry.file, sizeof entry.file, path);
  if (rb_signal_load(path, &signal, NULL) == RB_OK) {
    memcpy(entry.name, signal.name, sizeof entry.name);
    memcpy(entry.title, signal.title, sizeof entry.title);
  } else if (rb_plan_load(path, &plan, NULL) == RB_OK) {
    memcpy(entry.name, plan.name, sizeof entry.name);
    memcpy(entry.title, plan.title, sizeof entry.title);
    entry.plan = true;
  } else {
    const char *base = strrchr(path, '/') + 1;
    snprintf(entry.name, sizeof entry.name, "%.*s", (int)(strlen(base) - 4), base);
    entry.damaged = true;
  }
  return entry;
}

static bool listed(const rb_signal_entry *entries, size_t n, const char *name)
{
  for (size_t i = 0; i < n; i++)
    if (strcmp(entries[i].name, name) == 0)
      return true;
  return false;
}

enum { MOST_ENTRIES = 256 };

static int is_ini(const struct dirent *file)
{
  size_t length = strlen(file->d_name);
  return file->d_name[0] != '.' && length > 4 && strcmp(file->d_name + length - 4, ".ini") == 0;
}

static void list_place(const char *place, rb_signal_entry *entries, size_t *n)
{
  struct dirent **files = NULL;
  int n_files = scandir(place, &files, is_ini, alphasort);
  for (int i = 0; i < n_files; i++) {
    char path[PATH_SIZE];
    int length = snprintf(path, sizeof path, "%s/%s", place, files[i]->d_name);
    free(files[i]);
    if (length < 0 || (size_t)length >= sizeof path || *n == MOST_ENTRIES)
      continue;
    rb_signal_entry entry = entry_of(path);
    if (!listed(entries, *n, entry.name))
      entries[(*n)++] = entry;
  }
  if (n_files >= 0)
    free(files);
}

static int by_name(const void *a, const void *b)
{
  return strcmp(((const rb_signal_entry *)a)->name, ((const rb_signal_entry *)b)->name);
}

rb_status rb_signal_list(rb_arena *arena, rb_signal_entry **entries, size_t *n)
{
  char place[N_PLACES][PATH_SIZE];
  size_t n_places = places(place);
  *n = 0;
  *entries = rb_arena_alloc(arena, MOST_ENTRIES, sizeof **entries);
  if (!*entries)
    return RB_NO_MEM;
  for (size_t i = 0; i < n_places; i++)
    list_place(place[i], *entries, n);
  qsort(*entries, *n, sizeof **entries, by_name);
  return RB_OK;
}

// ---- finding ------------------------------------------------------------------------------------

static void add_names(rb_text *words, bool plans)
{
  rb_arena *arena = rb_arena_new(0);
  rb_signal_entry *entries = NULL;
  size_t n = 0, n_named = 0;
  if (arena && rb_signal_list(arena, &entries, &n) == RB_OK)
    for (size_t i = 0; i < n; i++)
      if (entries[i].plan == plans && !entries[i].damaged)
        rb_text_printf(words, "%s%s", n_named++ ? ", " : "", entries[i].name);
  if (!n_named)
    rb_text_add(words, "none");
  rb_arena_free(arena);
}

static rb_status not_found(const char *name, bool plan, rb_err *err)
{
  char place[N_PLACES][PATH_SIZE];
  size_t n_places = places(place);
  const char *kind = plan ? "plan" : "signal";
  rb_text words = {0};
  rb_text_printf(&words, "There is no %s '%s'. The %ss here: ", kind, name, kind);
  add_names(&words, plan);
  rb_text_add(&words, ". Looked in ");
  for (size_t i = 0; i < n_places; i++)
    rb_text_printf(&words, "%s%s", i ? ", " : "", place[i]);
  rb_text_add(&words, ".");
  rb_status status = rb_fail(err, RB_NOT_FOUND, "%s", words.failed ? "" : words.bytes);
  rb_text_free(&words);
  return status;
}

// The first place that has NAME.ini; a damaged file there is reported, not passed over.
static rb_status path_of(const char *name, bool plan, char path[PATH_SIZE], rb_err *err)
{
  char place[N_PLACES][PATH_SIZE];
  size_t n_places = places(place);
  if (is_path(name)) {
    snprintf(path, PATH_SIZE, "%s", name);
    return RB_OK;
  }
  if (!rb_text_is_name(name, RB_SIGNAL_NAME_SIZE - 1))
    return not_found(name, plan, err);
  for (size_t i = 0; i < n_places; i++) {
    int length = snprintf(path, PATH_SIZE, "%s/%s.ini", place[i], name);
    if (length > 0 && length < PATH_SIZE && is_there(path))
      return RB_OK;
  }
  return not_found(name, plan, err);
}

rb_status rb_signal_find(const char *name, rb_signal *signal, rb_err *err)
{
  char path[PATH_SIZE];
  RB_TRY(path_of(name, false, path, err));
  return rb_signal_load(path, signal, err);
}

rb_status rb_plan_find(const char *name, rb_plan *plan, rb_err *err)
{
  char path[PATH_SIZE];
  RB_TRY(path_of(name, true, path, err));
  return rb_plan_load(path, plan, err);
}
