// SPDX-License-Identifier: GPL-3.0-or-later
#include "heard.h"
#include "output_file.h"
#include "reports.h"

#include "rollbook/cli/stock.h"

#include <errno.h>
#include <string.h>
#include <sys/stat.h>

/// One form a report can take. Either a page in one file, or plots.
typedef struct report_format {
  const char *name;     ///< As in --format, and the file's ending.
  rb_page_writer *page; ///< NULL: plots.
  rb_plot_format plots;
} report_format;

static const report_format formats[] = {
    {"html", rb_report_html, RB_PLOT_SVG},
    {"pdf", rb_report_pdf, RB_PLOT_PDF},
    {"csv", rb_report_csv, RB_PLOT_SVG},
    {"svg", NULL, RB_PLOT_SVG},
    {"png", NULL, RB_PLOT_PNG},
};

static const char *const format_names[] = {"html", "pdf", "csv", "svg", "png", NULL};
_Static_assert(RB_LEN(format_names) == RB_LEN(formats) + 1, "one name a format");

static const report_format *format_named(const char *name)
{
  for (size_t i = 0; name && i < RB_LEN(formats); i++)
    if (strcmp(formats[i].name, name) == 0)
      return &formats[i];
  return NULL;
}

// By --format, else by the ending of --out, else a page.
static const report_format *choose_format(const rb_arguments *arguments)
{
  const char *out = rb_argument_text(arguments, "out");
  const report_format *format = format_named(rb_argument_text(arguments, "format"));
  const char *dot = out ? strrchr(out, '.') : NULL;
  if (!format && dot)
    format = format_named(dot + 1);
  return format ? format : &formats[0];
}

static void tell_written(rb_console *console, const char *path)
{
  rb_json_text(console->answer, NULL, path);
  rb_console_tell(console, "Written: %s", path);
}

// ---- a page

static rb_status write_page(rb_console *console, rb_book *book, const rb_report *report,
                            const report_format *format, const char *out, rb_err *err)
{
  RB_TRY(rb_write_page(console, book, report, format->page, out, err));
  if (strcmp(out, "-") != 0)
    tell_written(console, out);
  return RB_OK;
}

// ---- plots

static rb_status make_folder(const char *folder, rb_err *err)
{
  struct stat there;
  if (mkdir(folder, 0777) == 0 || (stat(folder, &there) == 0 && S_ISDIR(there.st_mode)))
    return RB_OK;
  return rb_fail(err, RB_STORAGE, "The folder '%.300s' cannot be made: %s.", folder,
                 strerror(errno));
}

static rb_status write_all_plots(rb_console *console, const rb_plot_file *files, size_t n,
                                 const char *out, rb_err *err)
{
  RB_TRY(make_folder(out, err));
  for (size_t i = 0; i < n; i++) {
    const char *path = rb_cell(console, "%s/%s", out, files[i].name);
    RB_TRY(rb_write_file(path, files[i].bytes, files[i].n_bytes, err));
    tell_written(console, path);
  }
  return RB_OK;
}

static rb_status write_one_plot(rb_console *console, const rb_plot_file *files, size_t n,
                                const char *plot, const char *out, rb_err *err)
{
  const char *list = "";
  for (size_t i = 0; i < n; i++) {
    const char *name = rb_cell(console, "%.*s", (int)strcspn(files[i].name, "."), files[i].name);
    if (plot && strcmp(name, plot) == 0) {
      RB_TRY(rb_write_file(out, files[i].bytes, files[i].n_bytes, err));
      tell_written(console, out);
      return RB_OK;
    }
    list = rb_cell(console, "%s%s%s", list, i ? ", " : "", name);
  }
  return rb_fail(err, RB_BAD_ARG, "'%.120s' can hold one plot. Name it with --plot; there are: %s.",
                 out, list);
}

static rb_status write_plots(rb_console *console, const rb_arguments *arguments, rb_book *book,
                             const rb_report *report, const report_format *format, const char *out,
                             rb_err *err)
{
  rb_plot_file *files = NULL;
  size_t n = 0;
  const char *plot = rb_argument_text(arguments, "plot");
  const char *dot = strrchr(out, '.');
  RB_TRY(rb_report_plots(book, report, format->plots, console->arena, &files, &n, err));
  if (!n)
    return rb_fail(err, RB_NOT_FOUND, "There is nothing to draw in this report.");
  if (plot || (dot && strcmp(dot + 1, format->name) == 0))
    return write_one_plot(console, files, n, plot, out, err);
  return write_all_plots(console, files, n, out, err);
}

// ---- what the report is of

static rb_status write_report(rb_console *console, const rb_arguments *arguments, rb_book *book,
                              const rb_report *report, const char *usual_name, rb_err *err)
{
  const report_format *format = choose_format(arguments);
  bool plots = !format->page;
  const char *out = rb_argument_text(arguments, "out");
  if (!out)
    out = plots ? rb_cell(console, "%s-plots", usual_name)
                : rb_cell(console, "%s.%s", usual_name, format->name);
  rb_json_text(console->answer, "format", format->name);
  rb_json_array(console->answer, "files");
  RB_TRY(plots ? write_plots(console, arguments, book, report, format, out, err)
               : write_page(console, book, report, format, out, err));
  rb_json_end(console->answer);
  return RB_OK;
}

static rb_status swap(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_lineup a, b;
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 0), &a, err));
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 1), &b, err));
  rb_report report = {.kind = RB_REPORT_SWAP, .name = a.name, .against = b.name};
  RB_TRY(write_report(console, arguments, book, &report, "swap", err));
  rb_note_shown(console, (const int64_t[]){a.id, b.id}, 2);
  return RB_OK;
}

static rb_status lineup(rb_console *console, const rb_arguments *arguments, rb_book *book,
                        rb_err *err)
{
  rb_lineup lineup_shown;
  RB_TRY(rb_stock_lineup(console, book, rb_argument_word(arguments, 0), &lineup_shown, err));
  rb_report report = {.kind = RB_REPORT_LINEUP, .name = lineup_shown.name};
  RB_TRY(write_report(console, arguments, book, &report, "lineup", err));
  rb_note_shown(console, &lineup_shown.id, 1);
  return RB_OK;
}

// Its card shows numbers of every line-up it was in.
static rb_status note_tube_shown(rb_console *console, rb_book *book, const rb_tube *tube_shown,
                                 rb_err *err)
{
  rb_lineup *lineups = NULL;
  size_t n = 0;
  RB_TRY(rb_book_lineups(book, console->arena, &lineups, &n, err));
  for (size_t i = 0; i < n; i++)
    for (size_t k = 0; k < lineups[i].n_fittings; k++)
      if (lineups[i].fittings[k].tube.id == tube_shown->id)
        rb_note_shown(console, &lineups[i].id, 1);
  return RB_OK;
}

static rb_status tube(rb_console *console, const rb_arguments *arguments, rb_book *book,
                      rb_err *err)
{
  rb_tube tube_shown;
  RB_TRY(rb_stock_tube(console, book, rb_argument_word(arguments, 0), &tube_shown, err));
  rb_report report = {.kind = RB_REPORT_TUBE, .name = tube_shown.label};
  RB_TRY(write_report(console, arguments, book, &report, "tube", err));
  return note_tube_shown(console, book, &tube_shown, err);
}

static rb_status run_swap(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, swap, err);
}

static rb_status run_lineup(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, lineup, err);
}

static rb_status run_tube(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, tube, err);
}

static const rb_option options[] = {
    {.name = "out",
     .kind = RB_OPTION_TEXT,
     .value = "FILE",
     .help = "Where to write; its ending chooses the form. For all plots it is a folder; - is "
             "standard output. Default: swap.html, lineup.html, tube.html"},
    {.name = "format",
     .kind = RB_OPTION_CHOICE,
     .value = "FORM",
     .choices = format_names,
     .help = "A page (html, pdf), its numbers (csv) or its plots (svg, png)"},
    {.name = "plot",
     .kind = RB_OPTION_TEXT,
     .value = "NAME",
     .help = "With svg or png: only this plot, into the file of --out"},
};

static const rb_positional swap_words[] = {
    {.name = "A", .help = "The line-up that was there before"},
    {.name = "B", .help = "The line-up that came in"},
};
static const rb_positional lineup_words[] = {{.name = "LINEUP", .help = "The line-up"}};
static const rb_positional tube_words[] = {{.name = "LABEL", .help = "The tube"}};

static const rb_command subcommands[] = {
    {.name = "swap",
     .summary = "Two line-ups: what changed, and how surely",
     .example = "rollbook report swap \"As delivered\" \"Other inverter\" --out swap.html",
     RB_OPTIONS(options),
     RB_POSITIONALS(swap_words),
     .run = run_swap},
    {.name = "lineup",
     .summary = "One line-up and what was measured with it",
     RB_OPTIONS(options),
     RB_POSITIONALS(lineup_words),
     .run = run_lineup},
    {.name = "tube",
     .summary = "A card for one tube: where it stood and what was measured",
     RB_OPTIONS(options),
     RB_POSITIONALS(tube_words),
     .run = run_tube},
};

const rb_command rb_command_report = {
    .name = "report",
    .summary = "A page, plots or a table to keep or hand on",
    .description = "`rollbook report A B` is short for `rollbook report swap A B`.",
    RB_SUBCOMMANDS(subcommands),
    RB_OPTIONS(options),
    RB_POSITIONALS(swap_words),
    .run = run_swap,
};
