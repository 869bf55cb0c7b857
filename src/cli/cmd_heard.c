// SPDX-License-Identifier: GPL-3.0-or-later
#include "heard.h"

#include "rollbook/base/csv.h"
#include "rollbook/base/text.h"
#include "rollbook/cli/stock.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

enum { MOST_ATTRIBUTES = 32, MOST_CSV_BYTES = 4 << 20 };

// ---- attributes and scores
// -----------------------------------------------------------------------

// The key as typed, with '-' and blanks for '_'.
static rb_status find_attribute(rb_console *console, const char *name, rb_impression *impression,
                                rb_err *err)
{
  size_t n = 0;
  const rb_attribute *all = rb_attributes(&n);
  const char *list = "", *keys[MOST_ATTRIBUTES];
  bool fits = rb_text_copy(impression->attribute, sizeof impression->attribute, name);
  for (char *at = impression->attribute; *at; at++)
    if (*at == '-' || *at == ' ')
      *at = '_';
  if (fits && rb_attribute_find(impression->attribute))
    return RB_OK;
  for (size_t i = 0; i < n && i < MOST_ATTRIBUTES; i++) {
    keys[i] = all[i].key;
    list = rb_cell(console, "%s%s%s", list, i ? ", " : "", all[i].key);
  }
  const char *near = rb_nearest_word(impression->attribute, keys, n);
  return rb_fail(err, RB_BAD_ARG, "'%.40s' is no attribute.%s%s%s There are: %s.", name,
                 near ? " Did you mean " : "", near ? near : "", near ? "?" : "", list);
}

// "+2", "-1", "0"; a typographic minus counts as one.
static rb_status read_score(const char *text, int *score, rb_err *err)
{
  static const char minus[] = "\u2212";
  double number = 0;
  bool typographic = strncmp(text, minus, strlen(minus)) == 0;
  const char *digits = typographic ? text + strlen(minus) : text[0] == '+' ? text + 1 : text;
  if (!rb_text_to_number(digits, &number) || number < -3 || number > 3 ||
      number != (double)(int)number || (digits != text && digits[0] == '-'))
    return rb_fail(err, RB_BAD_ARG,
                   "'%.40s' is no score: a whole number from -3 (much less) over 0 (the same) to "
                   "+3 (much more).",
                   text);
  *score = typographic ? -(int)number : (int)number;
  return RB_OK;
}

static rb_status copy_text(const char *what, const char *text, char *target, size_t size,
                           rb_err *err)
{
  return text ? rb_stock_text(what, text, target, size, err) : RB_OK;
}

// "2026-03-01" or with a time of day behind it.
static rb_status take_time(const char *text, rb_impression *impression, rb_err *err)
{
  static const char form[] = "dddd-dd-dd";
  if (!text || !text[0])
    return RB_OK;
  bool good = strlen(text) >= strlen(form);
  for (size_t i = 0; good && form[i]; i++)
    good = form[i] == 'd' ? text[i] >= '0' && text[i] <= '9' : text[i] == form[i];
  if (!good)
    return rb_fail(err, RB_BAD_ARG,
                   "'%.40s' is no time: write it as 2026-03-01T20:15:00Z (ISO 8601).", text);
  return rb_stock_text("The time of hearing", text, impression->heard_at,
                       sizeof impression->heard_at, err);
}

// ---- writing them down
// ---------------------------------------------------------------------------

// The impressions of one go, checked, not yet in the book.
typedef struct notes {
  rb_impression *all;
  size_t n;
} notes;

static rb_status take_options(const rb_arguments *arguments, rb_impression *common, rb_err *err)
{
  RB_TRY(copy_text("--programme", rb_argument_text(arguments, "programme"), common->programme,
                   sizeof common->programme, err));
  RB_TRY(copy_text("--volume", rb_argument_text(arguments, "volume"), common->volume,
                   sizeof common->volume, err));
  RB_TRY(copy_text("--note", rb_argument_text(arguments, "note"), common->note, sizeof common->note,
                   err));
  common->blind = rb_argument_given(arguments, "blind");
  return take_time(rb_argument_text(arguments, "at"), common, err);
}

static rb_status take_attributes(rb_console *console, const rb_arguments *arguments,
                                 const rb_impression *common, notes *heard, rb_err *err)
{
  for (size_t i = 0; i < rb_argument_count(arguments, "attribute"); i++) {
    const char *name = NULL, *score = NULL;
    rb_impression *one = &heard->all[heard->n];
    *one = *common;
    RB_TRY(rb_argument_pair("attribute", rb_argument_nth(arguments, "attribute", i), console->arena,
                            &name, &score, err));
    RB_TRY(find_attribute(console, name, one, err));
    RB_TRY(read_score(score, &one->score, err));
    for (size_t k = 0; k < heard->n; k++)
      if (strcmp(heard->all[k].attribute, one->attribute) == 0)
        return rb_fail(err, RB_BAD_ARG, "--attribute %s was given twice.", one->attribute);
    heard->n++;
  }
  return RB_OK;
}

// Asks until the answer is a score or empty.
static rb_status ask_score(rb_console *console, const rb_attribute *attribute, int *score,
                           bool *given, rb_err *err)
{
  for (;;) {
    char answer[32];
    const char *question =
        rb_cell(console, "%s (+ %s, - %s):", attribute->label, attribute->more, attribute->less);
    RB_TRY(rb_console_ask(console, question, answer, sizeof answer, err));
    *given = answer[0] != '\0';
    rb_err problem = {.status = RB_OK};
    if (!*given || read_score(answer, score, &problem) == RB_OK)
      return RB_OK;
    fprintf(console->err, "  %s\n", problem.message);
  }
}

static rb_status ask_text(rb_console *console, const char *question, char *target, size_t size,
                          rb_err *err)
{
  char answer[RB_NOTE_SIZE];
  if (target[0])
    return RB_OK;
  RB_TRY(rb_console_ask(console, question, answer, sizeof answer, err));
  rb_text_copy(target, size, answer);
  return RB_OK;
}

static rb_status ask_all(rb_console *console, const rb_arguments *arguments, rb_impression *common,
                         notes *heard, rb_err *err)
{
  size_t n = 0;
  const rb_attribute *all = rb_attributes(&n);
  fputs("A whole number from -3 (much) over -1 (slightly) and 0 (the same) to +3 (much). Enter "
        "skips.\n",
        console->err);
  for (size_t i = 0; i < n && heard->n < MOST_ATTRIBUTES; i++) {
    bool given = false;
    int score = 0;
    RB_TRY(ask_score(console, &all[i], &score, &given, err));
    if (!given)
      continue;
    heard->all[heard->n] = (rb_impression){.score = score};
    rb_text_copy(heard->all[heard->n++].attribute, RB_ATTRIBUTE_SIZE, all[i].key);
  }
  if (!heard->n)
    return RB_OK;
  RB_TRY(ask_text(console, "Programme:", common->programme, sizeof common->programme, err));
  RB_TRY(ask_text(console, "Volume:", common->volume, sizeof common->volume, err));
  char blind[16] = "";
  if (!rb_argument_given(arguments, "blind"))
    RB_TRY(ask_text(console, "Blind, so that you did not know which one played? (y, Enter for no):",
                    blind, sizeof blind, err));
  common->blind = common->blind || blind[0] == 'y' || blind[0] == 'Y';
  RB_TRY(ask_text(console, "Anything else:", common->note, sizeof common->note, err));
  for (size_t i = 0; i < heard->n; i++) {
    rb_impression one = *common;
    one.score = heard->all[i].score;
    rb_text_copy(one.attribute, sizeof one.attribute, heard->all[i].attribute);
    heard->all[i] = one;
  }
  return RB_OK;
}

static rb_status keep_all(rb_console *console, rb_book *book, notes *heard, rb_err *err)
{
  size_t n_after = 0;
  rb_json_array(console->answer, "impressions");
  for (size_t i = 0; i < heard->n; i++) {
    RB_TRY(rb_book_add_impression(book, &heard->all[i], err));
    RB_TRY(rb_answer_impression(console, book, &heard->all[i], err));
    n_after += heard->all[i].after_numbers;
  }
  rb_json_end(console->answer);
  RB_TRY(rb_list_impressions(console, book, heard->all, heard->n, err));
  if (n_after)
    rb_console_tell(console, "Numbers of these line-ups had been shown before: %s marked so.",
                    heard->n == 1 ? "the impression is" : "the impressions are");
  return RB_OK;
}

static rb_status make_room(rb_console *console, size_t n, notes *heard, rb_err *err)
{
  heard->all = rb_arena_alloc(console->arena, n, sizeof *heard->all);
  return heard->all ? RB_OK : rb_fail(err, RB_NO_MEM, "Out of memory for impressions.");
}

static rb_status write_down(rb_console *console, const rb_arguments *arguments, rb_book *book,
                            rb_err *err)
{
  rb_lineup judged, against;
  rb_impression common = {.id = 0};
  notes heard = {.n = 0};
  const char *name = rb_argument_word(arguments, 0),
             *other = rb_argument_text(arguments, "against");
  if (!name || !other)
    return rb_fail(
        err, RB_BAD_ARG,
        "Which line-up against which? `rollbook heard B --against A` notes how B sounded "
        "against A.");
  RB_TRY(rb_stock_lineup(console, book, name, &judged, err));
  RB_TRY(rb_stock_lineup(console, book, other, &against, err));
  common.lineup_id = judged.id;
  common.against_id = against.id;
  RB_TRY(take_options(arguments, &common, err));
  size_t n_given = rb_argument_count(arguments, "attribute");
  RB_TRY(make_room(console, n_given + MOST_ATTRIBUTES, &heard, err));
  if (!n_given && !console->can_ask)
    return rb_fail(err, RB_BAD_ARG,
                   "Nothing was said about the sound, and there is no terminal to ask on. Add "
                   "--attribute bass_level=+2 and the like.");
  if (n_given)
    RB_TRY(take_attributes(console, arguments, &common, &heard, err));
  else {
    fprintf(console->err, "How does '%s' sound against '%s'?\n", judged.name, against.name);
    RB_TRY(ask_all(console, arguments, &common, &heard, err));
  }
  if (!heard.n)
    rb_console_tell(console, "Nothing was noted.");
  RB_TRY(keep_all(console, book, &heard, err));
  rb_console_say(console, "Next: `rollbook compare \"%s\" \"%s\"`.", against.name, judged.name);
  return RB_OK;
}

// ---- rank
// ----------------------------------------------------------------------------------------

// Each line-up one step above the next: a study puts such steps on one scale.
static rb_status rank(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  notes heard = {.n = 0};
  rb_impression common = {.score = 1};
  size_t n = rb_argument_n_words(arguments);
  if (n < 3)
    return rb_fail(err, RB_BAD_ARG,
                   "A ranking needs two line-ups at least, the one with most of "
                   "it first.");
  RB_TRY(find_attribute(console, rb_argument_word(arguments, 0), &common, err));
  RB_TRY(take_options(arguments, &common, err));
  RB_TRY(make_room(console, n, &heard, err));
  rb_lineup above, below;
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 1), &above, err));
  for (size_t i = 2; i < n; i++) {
    RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, i), &below, err));
    for (size_t k = 1; k < i; k++)
      if (strcmp(rb_argument_word(arguments, k), below.name) == 0)
        return rb_fail(err, RB_BAD_ARG, "'%s' stands twice in the ranking.", below.name);
    if (above.amplifier.id != below.amplifier.id)
      return rb_fail(err, RB_BAD_ARG, "'%s' and '%s' are line-ups of different amplifiers.",
                     above.name, below.name);
    common.lineup_id = above.id;
    common.against_id = below.id;
    heard.all[heard.n++] = common;
    above = below;
  }
  return keep_all(console, book, &heard, err);
}

// ---- import
// --------------------------------------------------------------------------------------

typedef enum csv_column {
  COLUMN_LINEUP,
  COLUMN_AGAINST,
  COLUMN_ATTRIBUTE,
  COLUMN_SCORE,
  COLUMN_PROGRAMME,
  COLUMN_VOLUME,
  COLUMN_BLIND,
  COLUMN_NOTE,
  COLUMN_HEARD_AT,
  COLUMN_COUNT
} csv_column;

static const char *const column_names[COLUMN_COUNT + 1] = {
    "lineup", "against", "attribute", "score", "programme", "volume", "blind", "note", "heard_at"};

typedef struct csv_work {
  rb_console *console;
  rb_book *book;
  const char *path;
  rb_csv csv;
  size_t place[COLUMN_COUNT]; // from 1; 0: not there
} csv_work;

static rb_status read_text_file(rb_console *console, const char *path, char **text, rb_err *err)
{
  FILE *file = fopen(path, "rbe");
  if (!file)
    return rb_fail(err, RB_NOT_FOUND, "'%.300s' cannot be read: %s.", path, strerror(errno));
  *text = rb_arena_alloc(console->arena, MOST_CSV_BYTES + 1, 1);
  size_t n = *text ? fread(*text, 1, MOST_CSV_BYTES + 1, file) : 0;
  bool failed = ferror(file) != 0;
  fclose(file);
  if (!*text)
    return rb_fail(err, RB_NO_MEM, "Out of memory while reading '%.300s'.", path);
  if (failed)
    return rb_fail(err, RB_NOT_FOUND, "'%.300s' cannot be read to its end.", path);
  if (n > MOST_CSV_BYTES || strlen(*text) != n)
    return rb_fail(err, RB_FORMAT, "'%.300s' is no table of impressions: %s.", path,
                   n > MOST_CSV_BYTES ? "it is larger than 4 MiB" : "it holds zero bytes");
  return RB_OK;
}

static rb_status csv_problem(const csv_work *work, const rb_err *problem, rb_err *err)
{
  return rb_fail(err, problem->status == RB_NO_MEM ? RB_NO_MEM : RB_FORMAT,
                 "'%.200s', line %zu: %.600s Nothing was taken from the file.", work->path,
                 work->csv.line, problem->message);
}

static rb_status next_record(csv_work *work, const char ***fields, size_t *n, rb_err *err)
{
  rb_err problem = {.status = RB_OK};
  rb_status status = rb_csv_next(&work->csv, work->console->arena, fields, n);
  if (status == RB_OK)
    return RB_OK;
  rb_fail(&problem, status, "%s",
          status == RB_NO_MEM ? "Memory ran out."
                              : "A quote is not closed or stands inside a field.");
  return csv_problem(work, &problem, err);
}

static rb_status read_heading(csv_work *work, rb_err *err)
{
  const char **fields = NULL;
  size_t n = 0;
  RB_TRY(next_record(work, &fields, &n, err));
  for (size_t i = 0; i < n; i++)
    for (size_t c = 0; c < COLUMN_COUNT; c++)
      if (strcmp(fields[i], column_names[c]) == 0)
        work->place[c] = i + 1;
  for (size_t c = 0; c <= COLUMN_SCORE; c++)
    if (!work->place[c])
      return rb_fail(err, RB_FORMAT,
                     "'%.200s' has no column '%s'. Its first line names the columns: lineup, "
                     "against, attribute, score, and if you like programme, volume, blind, note, "
                     "heard_at.",
                     work->path, column_names[c]);
  return RB_OK;
}

static rb_status read_blind(const char *text, bool *blind, rb_err *err)
{
  static const struct {
    const char *word;
    bool blind;
  } words[] = {{"", false},      {"0", false},   {"1", true},        {"no", false},  {"yes", true},
               {"false", false}, {"true", true}, {"sighted", false}, {"blind", true}};
  for (size_t i = 0; i < RB_LEN(words); i++)
    if (strcmp(words[i].word, text) == 0) {
      *blind = words[i].blind;
      return RB_OK;
    }
  return rb_fail(err, RB_BAD_ARG, "'%.40s' under blind is neither yes nor no.", text);
}

static rb_status read_row(csv_work *work, const char *const *fields, size_t n,
                          rb_impression *impression, rb_err *err)
{
  const char *cells[COLUMN_COUNT];
  rb_lineup judged, against;
  for (size_t c = 0; c < COLUMN_COUNT; c++)
    cells[c] = work->place[c] && work->place[c] <= n ? fields[work->place[c] - 1] : "";
  *impression = (rb_impression){.id = 0};
  RB_TRY(rb_stock_lineup(work->console, work->book, cells[COLUMN_LINEUP], &judged, err));
  RB_TRY(rb_stock_lineup(work->console, work->book, cells[COLUMN_AGAINST], &against, err));
  impression->lineup_id = judged.id;
  impression->against_id = against.id;
  RB_TRY(find_attribute(work->console, cells[COLUMN_ATTRIBUTE], impression, err));
  RB_TRY(read_score(cells[COLUMN_SCORE], &impression->score, err));
  RB_TRY(copy_text("The programme", cells[COLUMN_PROGRAMME], impression->programme,
                   sizeof impression->programme, err));
  RB_TRY(copy_text("The volume", cells[COLUMN_VOLUME], impression->volume,
                   sizeof impression->volume, err));
  RB_TRY(read_blind(cells[COLUMN_BLIND], &impression->blind, err));
  RB_TRY(copy_text("The note", cells[COLUMN_NOTE], impression->note, sizeof impression->note, err));
  RB_TRY(take_time(cells[COLUMN_HEARD_AT], impression, err));
  if (judged.id == against.id)
    return rb_fail(err, RB_BAD_ARG, "'%s' cannot be heard against itself.", judged.name);
  if (judged.amplifier.id != against.amplifier.id)
    return rb_fail(err, RB_BAD_ARG, "'%s' and '%s' are line-ups of different amplifiers.",
                   judged.name, against.name);
  return RB_OK;
}

static bool same_impression(const rb_impression *a, const rb_impression *b)
{
  return a->lineup_id == b->lineup_id && a->against_id == b->against_id && a->score == b->score &&
         a->heard_at[0] && strcmp(a->heard_at, b->heard_at) == 0 &&
         strcmp(a->attribute, b->attribute) == 0 && strcmp(a->programme, b->programme) == 0 &&
         strcmp(a->note, b->note) == 0;
}

// Those that came in by an earlier import of the same file are left out.
static rb_status leave_out_known(csv_work *work, notes *heard, rb_err *err)
{
  rb_impression *known = NULL;
  size_t n_known = 0, n_kept = 0;
  RB_TRY(rb_book_impressions(work->book, 0, 0, work->console->arena, &known, &n_known, err));
  for (size_t i = 0; i < heard->n; i++) {
    bool is_known = false;
    for (size_t k = 0; k < n_known; k++)
      is_known = is_known || same_impression(&heard->all[i], &known[k]);
    if (!is_known)
      heard->all[n_kept++] = heard->all[i];
  }
  if (n_kept < heard->n)
    rb_console_tell(work->console, "%zu of %zu rows are in the book already and were left out.",
                    heard->n - n_kept, heard->n);
  heard->n = n_kept;
  return RB_OK;
}

static rb_status import(rb_console *console, const rb_arguments *arguments, rb_book *book,
                        rb_err *err)
{
  csv_work work = {.console = console, .book = book, .path = rb_argument_word(arguments, 0)};
  char *text = NULL;
  notes heard = {.n = 0};
  RB_TRY(read_text_file(console, work.path, &text, err));
  size_t n_lines = 1;
  for (const char *at = text; *at; at++)
    n_lines += *at == '\n' || *at == '\r';
  RB_TRY(make_room(console, n_lines, &heard, err));
  work.csv = rb_csv_of(text);
  RB_TRY(read_heading(&work, err));
  for (;;) {
    const char **fields = NULL;
    size_t n = 0;
    rb_err problem = {.status = RB_OK};
    RB_TRY(next_record(&work, &fields, &n, err));
    if (!n)
      break;
    if (read_row(&work, fields, n, &heard.all[heard.n++], &problem) != RB_OK)
      return csv_problem(&work, &problem, err);
  }
  RB_TRY(leave_out_known(&work, &heard, err));
  return keep_all(console, book, &heard, err);
}

// ---- list
// ----------------------------------------------------------------------------------------

static rb_status list(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_impression *all = NULL;
  size_t n = 0, n_kept = 0;
  rb_lineup of = {.id = 0};
  const char *name = rb_argument_word(arguments, 0);
  if (name)
    RB_TRY(rb_stock_lineup(console, book, name, &of, err));
  RB_TRY(rb_book_impressions(book, 0, 0, console->arena, &all, &n, err));
  for (size_t i = 0; i < n; i++)
    if (!name || all[i].lineup_id == of.id || all[i].against_id == of.id)
      all[n_kept++] = all[i];
  rb_json_array(console->answer, "impressions");
  for (size_t i = 0; i < n_kept; i++)
    RB_TRY(rb_answer_impression(console, book, &all[i], err));
  rb_json_end(console->answer);
  if (!n_kept)
    rb_console_tell(console, "Nothing was noted yet: `rollbook heard B --against A` does.");
  return rb_list_impressions(console, book, all, n_kept, err);
}

static rb_status run_write_down(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, write_down, err);
}

static rb_status run_rank(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, rank, err);
}

static rb_status run_import(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_WRITE, import, err);
}

static rb_status run_list(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, list, err);
}

// What goes with every impression.
#define SHARED_OPTIONS                                                                             \
  {.name = "programme", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "What was played"},       \
      {.name = "volume", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "How loud it was"},      \
      {.name = "blind",                                                                            \
       .kind = RB_OPTION_FLAG,                                                                     \
       .help = "The listener did not know which line-up played"},                                  \
      {.name = "note", .kind = RB_OPTION_TEXT, .value = "TEXT", .help = "Anything else"},          \
  {                                                                                                \
    .name = "at", .kind = RB_OPTION_TEXT, .value = "TIME",                                         \
    .help = "When it was heard, ISO 8601; else now"                                                \
  }

static const rb_option options[] = {
    {.name = "against",
     .kind = RB_OPTION_TEXT,
     .value = "LINEUP",
     .help = "The line-up it was heard against"},
    {.name = "attribute",
     .kind = RB_OPTION_TEXT,
     .value = "NAME=SCORE",
     .repeatable = true,
     .help =
         "bass_level=+2: from -3 (much less) over 0 (the same) to +3 (much more); any of "
         "bass_level, bass_definition, midrange_clarity, treble_extension, detail, "
         "stage_width, stage_depth, noise (+ is quieter), overall. Without it the program asks"},
    SHARED_OPTIONS,
};

static const rb_option rank_options[] = {SHARED_OPTIONS};

static const rb_positional positionals[] = {
    {.name = "LINEUP", .help = "The line-up that is judged", .optional = true}};
static const rb_positional rank_words[] = {
    {.name = "ATTRIBUTE", .help = "What the order is of: bass_level and the like"},
    {.name = "LINEUP", .help = "The line-ups, the one with most of it first", .repeatable = true}};
static const rb_positional file_word[] = {{.name = "FILE", .help = "A table, comma-separated"}};
static const rb_positional lineup_word[] = {
    {.name = "LINEUP", .help = "Only what was heard of it", .optional = true}};

static const rb_command subcommands[] = {
    {.name = "list",
     .summary = "What was heard, and whether numbers had been shown before",
     RB_POSITIONALS(lineup_word),
     .run = run_list},
    {.name = "rank",
     .summary = "Several line-ups in order, the one with most of something first",
     .description = "Kept as each line-up heard slightly above the next one.",
     .example = "rollbook heard rank bass_level \"New inverter\" Before \"Old driver\"",
     RB_OPTIONS(rank_options),
     RB_POSITIONALS(rank_words),
     .run = run_rank},
    {.name = "import",
     .summary = "Impressions from a table",
     .description =
         "The first line names the columns: lineup, against, attribute, score, and if you like "
         "programme, volume, blind (yes or no), note, heard_at. Either every row is taken or none; "
         "rows with a time that are in the book already are left out.",
     .example = "rollbook heard import notes.csv",
     RB_POSITIONALS(file_word),
     .run = run_import},
};

const rb_command rb_command_heard = {
    .name = "heard",
    .summary = "Write down what was heard, before looking at the numbers",
    .description =
        "How one line-up sounds against another, on the comparison scale of ITU-R BS.562 from -3 "
        "to +3. The book knows when numbers of either were shown, and marks what is written down "
        "after that.\n`rollbook heard LINEUP --against OTHER` asks attribute by attribute.",
    .example = "rollbook heard \"New inverter\" --against Before --attribute bass_level=+2",
    RB_SUBCOMMANDS(subcommands),
    RB_OPTIONS(options),
    RB_POSITIONALS(positionals),
    .run = run_write_down,
};
