// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/console.h"

#include <string.h>

enum { MOST_COLUMNS = 10, GAP = 2, NARROWEST = 10 };

typedef struct listing_row {
  const char *cells[MOST_COLUMNS]; ///< cells[0] alone where it is a heading.
  bool heading;
  struct listing_row *next;
} listing_row;

struct rb_listing {
  rb_console *console;
  rb_listing_column columns[MOST_COLUMNS];
  size_t n_columns, n_rows;
  listing_row *first, **last;
};

rb_listing *rb_listing_new(rb_console *console, const rb_listing_column *columns, size_t n_columns)
{
  rb_listing *listing = rb_arena_alloc(console->arena, 1, sizeof *listing);
  if (!listing || n_columns > MOST_COLUMNS)
    return NULL;
  listing->console = console;
  listing->n_columns = n_columns;
  memcpy(listing->columns, columns, n_columns * sizeof *columns);
  listing->last = &listing->first;
  return listing;
}

static listing_row *add(rb_listing *listing)
{
  listing_row *fresh = listing ? rb_arena_alloc(listing->console->arena, 1, sizeof *fresh) : NULL;
  if (fresh) {
    *listing->last = fresh;
    listing->last = &fresh->next;
    listing->n_rows++;
  }
  return fresh;
}

void rb_listing_row(rb_listing *listing, const char *const *cells)
{
  listing_row *fresh = add(listing);
  if (!fresh)
    return;
  for (size_t i = 0; i < listing->n_columns; i++)
    fresh->cells[i] = cells[i] ? cells[i] : "";
}

void rb_listing_heading(rb_listing *listing, const char *text)
{
  listing_row *fresh = add(listing);
  if (!fresh)
    return;
  fresh->heading = true;
  fresh->cells[0] = text;
}

static void find_widths(const rb_listing *listing, int *widths)
{
  int total = 0, widest = 0;
  for (size_t i = 0; i < listing->n_columns; i++) {
    widths[i] = rb_columns(listing->columns[i].title);
    for (const listing_row *at = listing->first; at; at = at->next)
      if (!at->heading && rb_columns(at->cells[i]) > widths[i])
        widths[i] = rb_columns(at->cells[i]);
    total += widths[i] + (i ? GAP : 0);
  }
  while (total > RB_CONSOLE_COLUMNS) { // narrow the widest column of words
    widest = -1;
    for (size_t i = 0; i < listing->n_columns; i++)
      if (!listing->columns[i].right && (widest < 0 || widths[i] > widths[widest]))
        widest = (int)i;
    if (widest < 0 || widths[widest] <= NARROWEST)
      return;
    widths[widest]--;
    total--;
  }
}

// Bytes of `text` that fit into `width` columns: cut at a blank where there is one.
static size_t fitting(const char *text, int width)
{
  size_t at = 0, blank = 0;
  for (int columns = 0; text[at]; columns++) {
    if (columns == width)
      return blank ? blank : at;
    if (text[at] == ' ')
      blank = at;
    for (at++; ((unsigned char)text[at] & 0xC0) == 0x80; at++)
      ;
  }
  return at;
}

static int columns_of(const char *text, size_t length)
{
  int n = 0;
  for (size_t i = 0; i < length; i++)
    n += ((unsigned char)text[i] & 0xC0) != 0x80;
  return n;
}

// One printed line of a row; `cells` move on to what is left. Returns whether anything is.
static bool print_line(const rb_listing *listing, const int *widths, const char **cells)
{
  FILE *out = listing->console->out;
  bool left = false;
  int owed = 0; // blanks not printed yet, so that no line ends in one
  for (size_t i = 0; i < listing->n_columns; i++) {
    size_t length = fitting(cells[i], widths[i]);
    int padding = widths[i] - columns_of(cells[i], length);
    owed += i ? GAP : 0;
    if (length) {
      fprintf(out, "%*s%.*s", owed + (listing->columns[i].right ? padding : 0), "", (int)length,
              cells[i]);
      owed = 0;
    }
    owed += listing->columns[i].right && length ? 0 : padding;
    cells[i] += length + strspn(cells[i] + length, " ");
    left = left || *cells[i];
  }
  fputc('\n', out);
  return left;
}

static void print_row(const rb_listing *listing, const int *widths, const char *const *cells)
{
  const char *rest[MOST_COLUMNS];
  memcpy(rest, cells, listing->n_columns * sizeof *rest);
  while (print_line(listing, widths, rest))
    ;
}

void rb_listing_print(rb_listing *listing)
{
  if (!listing || !listing->n_rows || listing->console->json)
    return;
  FILE *out = listing->console->out;
  const char *bold = listing->console->colour ? "\033[1m" : "";
  const char *plain = listing->console->colour ? "\033[0m" : "";
  int widths[MOST_COLUMNS];
  find_widths(listing, widths);
  const char *titles[MOST_COLUMNS];
  for (size_t i = 0; i < listing->n_columns; i++)
    titles[i] = listing->columns[i].title;
  fputs(bold, out);
  print_row(listing, widths, titles);
  fputs(plain, out);
  for (const listing_row *at = listing->first; at; at = at->next)
    if (at->heading)
      fprintf(out, "%s%s%s\n", bold, at->cells[0], plain);
    else
      print_row(listing, widths, at->cells);
}
