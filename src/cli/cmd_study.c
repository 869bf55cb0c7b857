// SPDX-License-Identifier: GPL-3.0-or-later
#include "heard.h"
#include "output_file.h"

#include "rollbook/base/text.h"
#include "rollbook/cli/stock.h"
#include "rollbook/report/study_plot.h"
#include "rollbook/report/words.h"

#include <math.h>
#include <string.h>

static void answer_quantity(rb_json *json, const rb_quantity *quantity)
{
  rb_json_text(json, "key", quantity->key);
  rb_json_text(json, "channel", rb_channel_name(quantity->channel));
  rb_json_text(json, "condition", quantity->condition);
  rb_json_text(json, "unit", quantity->unit);
}

static const char *channel_letter(rb_channel channel)
{
  return channel == RB_LEFT ? "L" : channel == RB_RIGHT ? "R" : "";
}

static const char *label_of(const char *key)
{
  const rb_reading_kind *kind = rb_reading_kind_find(key);
  return kind ? kind->label : key;
}

// ---- heard against measured
// ----------------------------------------------------------------------

static void answer_pair(rb_json *json, const rb_study_pair *pair)
{
  rb_json_object(json, NULL);
  rb_json_text(json, "attribute", pair->attribute->key);
  answer_quantity(json, &pair->quantity);
  rb_json_number(json, "rho", pair->rho);
  rb_json_bool(json, "tested", pair->tested);
  if (pair->tested) {
    bool known = isfinite(pair->interval[0]) && isfinite(pair->interval[1]);
    rb_json_number(json, "p", pair->p);
    rb_json_number(json, "p_holm", pair->p_holm);
    rb_json_bool(json, "exact", pair->exact);
    rb_json_numbers(json, "interval", pair->interval, known ? 2 : 0);
  }
  rb_json_bool(json, "as_expected", pair->as_expected);
  rb_json_text(json, "source", pair->link->source);
  rb_json_array(json, "points");
  for (size_t i = 0; i < pair->n_points; i++) {
    rb_json_object(json, NULL);
    rb_json_text(json, "lineup", pair->points[i].lineup->name);
    rb_json_number(json, "score", pair->points[i].score);
    rb_json_number(json, "reading", pair->points[i].reading);
    rb_json_integer(json, "sittings", (int64_t)pair->points[i].n_sittings);
    rb_json_end(json);
  }
  rb_json_end(json);
  rb_json_end(json);
}

static void list_pairs(rb_console *console, const rb_study *study)
{
  static const rb_listing_column columns[] = {{"heard", false},   {"measured", false},
                                              {"line-ups", true}, {"rank corr.", true},
                                              {"p", true},        {"p, all looked at", true}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < study->n_pairs; i++) {
    const rb_study_pair *pair = &study->pairs[i];
    const char *interval =
        isfinite(pair->interval[0])
            ? rb_cell(console, " (%.2f to %.2f)", pair->interval[0], pair->interval[1])
            : "";
    rb_listing_row(
        listing,
        (const char *[]){pair->attribute->label,
                         rb_cell(console, "%s, %s", label_of(pair->quantity.key),
                                 rb_condition_words(pair->quantity.condition).text),
                         rb_cell(console, "%zu", pair->n_points),
                         pair->tested ? rb_cell(console, "%+.2f%s", pair->rho, interval) : "",
                         pair->tested ? rb_cell(console, "%.2g", pair->p) : "too few",
                         pair->tested ? rb_cell(console, "%.2g", pair->p_holm) : ""});
  }
  rb_listing_print(listing);
}

// Under the number that allows a p value the points themselves are shown.
static void list_points(rb_console *console, const rb_study *study)
{
  static const rb_listing_column columns[] = {
      {"line-up", false}, {"score", true}, {"reading", true}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < study->n_pairs; i++) {
    const rb_study_pair *pair = &study->pairs[i];
    if (pair->tested)
      continue;
    rb_listing_heading(listing, rb_cell(console, "%s against %s, %s", pair->attribute->label,
                                        label_of(pair->quantity.key),
                                        rb_condition_words(pair->quantity.condition).text));
    for (size_t k = 0; k < pair->n_points; k++)
      rb_listing_row(
          listing,
          (const char *[]){
              pair->points[k].lineup->name, rb_cell(console, "%.2g", pair->points[k].score),
              rb_cell(console, "%s",
                      rb_figure_prose(pair->points[k].reading, pair->quantity.unit).text)});
  }
  rb_listing_print(listing);
}

static void tell_study(rb_console *console, const rb_study_data *data, const rb_study *study)
{
  if (!data->n_impressions)
    rb_console_tell(console,
                    "Nothing was heard on '%s' yet: `rollbook heard B --against A` notes it.",
                    data->amplifier.name);
  else if (!study->n_pairs)
    rb_console_tell(console,
                    "No line-up of '%s' was both heard and measured in a reading that "
                    "speaks for what was heard.",
                    data->amplifier.name);
  else
    rb_console_tell(console,
                    "%zu comparison%s of something heard with something measured; %zu of them %s "
                    "the %d line-ups that a p value needs. The last column is adjusted for having "
                    "looked at all of them (Holm).",
                    study->n_pairs, study->n_pairs == 1 ? "" : "s", study->n_tested,
                    study->n_tested == 1 ? "has" : "have", RB_STUDY_LEAST_LINEUPS);
  if (study->n_after)
    rb_console_tell(console,
                    "%zu impression%s written down after numbers were shown %s left out; "
                    "--with-after takes them in.",
                    study->n_after, study->n_after == 1 ? "" : "s",
                    study->n_after == 1 ? "is" : "are");
  if (study->n_unlinked)
    rb_console_tell(console,
                    "%zu impression%s of line-ups that were never heard against the "
                    "others, and cannot be put on their scale.",
                    study->n_unlinked, study->n_unlinked == 1 ? " is" : "s are");
}

static rb_status write_plots(rb_console *console, const rb_study *study, const char *folder,
                             rb_err *err)
{
  RB_TRY(rb_make_folders(console, folder, err));
  rb_json_array(console->answer, "files");
  for (size_t i = 0; i < study->n_pairs; i++) {
    const rb_study_pair *pair = &study->pairs[i];
    rb_text svg = {0};
    char *name = rb_arena_printf(console->arena, "%s-%s-%s", pair->attribute->key,
                                 pair->quantity.key, pair->quantity.condition);
    if (!name)
      return rb_fail(err, RB_NO_MEM, "Out of memory while naming a plot.");
    for (char *at = name; *at; at++)
      if (!((*at >= 'a' && *at <= 'z') || (*at >= '0' && *at <= '9')))
        *at = '-';
    for (size_t end = strlen(name); end > 0 && name[end - 1] == '-'; end--)
      name[end - 1] = '\0';
    const char *path = rb_cell(console, "%s/%s.svg", folder, name);
    rb_status status = rb_study_plot(pair, console->arena, &svg, err);
    if (status == RB_OK)
      status = rb_write_file(path, svg.bytes, svg.length, err);
    rb_text_free(&svg);
    RB_TRY(status);
    rb_json_text(console->answer, NULL, path);
    rb_console_tell(console, "Written: %s", path);
  }
  rb_json_end(console->answer);
  return RB_OK;
}

static rb_status study_heard(rb_console *console, const rb_arguments *arguments,
                             const rb_study_data *data, rb_err *err)
{
  rb_study study;
  rb_json *json = console->answer;
  RB_TRY(rb_study_heard(data, rb_argument_given(arguments, "with-after"), 1, console->arena, &study,
                        err));
  rb_json_integer(json, "comparisons", (int64_t)study.n_pairs);
  rb_json_integer(json, "tested", (int64_t)study.n_tested);
  rb_json_integer(json, "left_out_after_numbers", (int64_t)study.n_after);
  rb_json_integer(json, "left_out_unlinked", (int64_t)study.n_unlinked);
  rb_json_array(json, "pairs");
  for (size_t i = 0; i < study.n_pairs; i++)
    answer_pair(json, &study.pairs[i]);
  rb_json_end(json);
  tell_study(console, data, &study);
  list_pairs(console, &study);
  list_points(console, &study);
  if (rb_argument_given(arguments, "plots"))
    return write_plots(console, &study, rb_argument_text(arguments, "plots"), err);
  return RB_OK;
}

// ---- which socket matters
// ------------------------------------------------------------------------

static void answer_tube(rb_json *json, const rb_study_sockets *fit, const rb_study_tube *tube)
{
  bool known = isfinite(tube->fit.interval[0]) && isfinite(tube->fit.interval[1]);
  rb_json_object(json, NULL);
  rb_json_text(json, "socket", tube->place->name);
  rb_json_text(json, "tube", tube->tube);
  rb_json_integer(json, "lineups", (int64_t)tube->n_lineups);
  rb_json_bool(json, "separable", tube->fit.separable);
  rb_json_bool(json, "reference", tube->fit.level == 0);
  if (tube->fit.separable && tube->fit.level > 0) {
    rb_json_number(json, "effect", tube->fit.effect);
    rb_json_numbers(json, "interval", tube->fit.interval, known ? 2 : 0);
    rb_json_number(json, "p", tube->fit.p);
  }
  rb_json_array(json, "mixed_with");
  for (size_t f = 0; f < fit->n_places; f++)
    if (tube->fit.mixed_with >> f & 1u)
      rb_json_text(json, NULL, fit->places[f].name);
  rb_json_end(json);
  rb_json_end(json);
}

static void answer_fit(rb_json *json, const rb_study_sockets *fit)
{
  rb_json_object(json, NULL);
  answer_quantity(json, &fit->quantity);
  rb_json_bool(json, "heard", fit->attribute != NULL);
  rb_json_text(json, "unit_of_effect", fit->unit_of_effect);
  rb_json_integer(json, "rows", (int64_t)fit->n_rows);
  rb_json_number(json, "df", fit->fit.df);
  rb_json_array(json, "shares");
  for (size_t f = 0; f < fit->n_places; f++) {
    rb_json_object(json, NULL);
    rb_json_text(json, "socket", fit->places[f].name);
    rb_json_number(json, "share", fit->shares[f]);
    rb_json_end(json);
  }
  rb_json_end(json);
  rb_json_number(json, "joint_share", fit->fit.joint_share);
  rb_json_number(json, "residual_share", fit->fit.residual_share);
  rb_json_array(json, "tubes");
  for (size_t i = 0; i < fit->n_tubes; i++)
    answer_tube(json, fit, &fit->tubes[i]);
  rb_json_end(json);
  rb_json_array(json, "next");
  for (size_t i = 0; i < fit->n_next; i++) {
    rb_json_object(json, NULL);
    for (size_t k = 0; k < fit->next[i].n_fittings; k++)
      rb_json_text(json, fit->next[i].fittings[k].socket, fit->next[i].fittings[k].tube.label);
    rb_json_end(json);
  }
  rb_json_end(json);
  rb_json_end(json);
}

static const char *mixed_cell(rb_console *console, const rb_study_sockets *fit,
                              const rb_study_tube *tube)
{
  const char *list = "";
  for (size_t f = 0; f < fit->n_places; f++)
    if (tube->fit.mixed_with >> f & 1u)
      list = rb_cell(console, "%s%s%s", list, list[0] ? ", " : "", fit->places[f].name);
  return rb_cell(console, "not to be told from %s", list[0] ? list : "the others");
}

static void list_fit(rb_console *console, const rb_study_sockets *fit)
{
  static const rb_listing_column columns[] = {{"socket", false},        {"tube", false},
                                              {"line-ups", true},       {"effect", true},
                                              {"95 % interval", false}, {"p", true}};
  rb_listing *listing = rb_listing_new(console, columns, RB_LEN(columns));
  for (size_t i = 0; i < fit->n_tubes; i++) {
    const rb_study_tube *tube = &fit->tubes[i];
    bool first = tube->fit.level == 0, separable = tube->fit.separable;
    bool known = isfinite(tube->fit.interval[0]) && isfinite(tube->fit.interval[1]);
    const char *unit = rb_unit_of_change(fit->unit_of_effect);
    rb_figure effect = rb_figure_change(tube->fit.effect, tube->fit.interval, unit);
    rb_figure interval = rb_figure_interval(tube->fit.interval, unit);
    rb_listing_row(
        listing,
        (const char *[]){tube->place->name, tube->tube[0] ? tube->tube : "(not entered)",
                         rb_cell(console, "%zu", tube->n_lineups),
                         first       ? "reference"
                         : separable ? rb_cell(console, "%s",
                                               known ? effect.text
                                                     : rb_figure_prose(tube->fit.effect, unit).text)
                                     : "",
                         first        ? ""
                         : !separable ? mixed_cell(console, fit, tube)
                         : known      ? rb_cell(console, "%s", interval.text)
                                      : "no sitting left to judge by",
                         first || !separable ? "" : rb_cell(console, "%.2g", tube->fit.p)});
  }
  rb_listing_print(listing);
}

static void tell_shares(rb_console *console, const rb_study_sockets *fit)
{
  const char *list = "";
  for (size_t f = 0; f < fit->n_places; f++)
    list = rb_cell(console, "%s%s %.0f %%, ", list, fit->places[f].name, 100 * fit->shares[f]);
  rb_console_tell(console,
                  "Share of the spread that only this socket explains: %swhat cannot be parted "
                  "between sockets %.0f %%, not explained %.0f %%.",
                  list, 100 * fit->fit.joint_share, 100 * fit->fit.residual_share);
}

static void tell_next(rb_console *console, const rb_study_sockets *fit)
{
  if (fit->n_next)
    rb_console_tell(console, "To tell them apart best, measure next:");
  for (size_t i = 0; i < fit->n_next; i++) {
    const char *list = "";
    for (size_t k = 0; k < fit->next[i].n_fittings; k++)
      list = rb_cell(console, "%s%s%s in %s", list, k ? ", " : "",
                     fit->next[i].fittings[k].tube.label, fit->next[i].fittings[k].socket);
    rb_console_tell(console, "  %zu. %s", i + 1, list);
  }
}

static rb_status study_sockets(rb_console *console, const rb_arguments *arguments,
                               const rb_study_data *data, rb_err *err)
{
  rb_study_sockets *fits = NULL;
  size_t n = 0;
  RB_TRY(rb_study_which_socket(data, rb_argument_text(arguments, "sockets"),
                               rb_argument_text(arguments, "condition"), console->arena, &fits, &n,
                               err));
  rb_json_array(console->answer, "fits");
  for (size_t i = 0; i < n; i++)
    answer_fit(console->answer, &fits[i]);
  rb_json_end(console->answer);
  for (size_t i = 0; i < n; i++) {
    const rb_study_sockets *fit = &fits[i];
    if (!fit->n_places)
      continue;
    rb_console_tell(console, "\n%s%s%s, %s: %zu %s.",
                    fit->attribute ? fit->attribute->label : label_of(fit->quantity.key),
                    channel_letter(fit->quantity.channel)[0] ? ", " : "",
                    fit->quantity.channel == RB_BOTH ? "" : rb_channel_name(fit->quantity.channel),
                    fit->attribute
                        ? "as heard"
                        : rb_cell(console, "%s", rb_condition_words(fit->quantity.condition).text),
                    fit->n_rows, fit->attribute ? "line-ups" : "sittings");
    list_fit(console, fit);
    tell_shares(console, fit);
    tell_next(console, fit);
  }
  return RB_OK;
}

// ---- how many more
// -------------------------------------------------------------------------------

static size_t fewest_sittings(const rb_study_data *data)
{
  size_t fewest = 0;
  for (size_t i = 0; i < data->n_lineups; i++) {
    size_t n = 0;
    int64_t last = 0;
    for (size_t k = 0; k < data->table.n_passes; k++) {
      const rb_table_pass *pass = &data->table.passes[k];
      if (pass->lineup_id != data->lineups[i].id || pass->sitting_id == last)
        continue;
      last = pass->sitting_id;
      n++;
    }
    if (n && (!fewest || n < fewest))
      fewest = n;
  }
  return fewest;
}

static void tell_plan(rb_console *console, const rb_study_plan *plan, double change, double power,
                      size_t n_passes, size_t fewest)
{
  const char *unit = plan->quantity.unit;
  const char *channel = plan->quantity.channel == RB_BOTH
                            ? ""
                            : rb_cell(console, ", %s", rb_channel_name(plan->quantity.channel));
  const char *size = rb_cell(console, "%s", rb_figure_prose(change, rb_unit_of_change(unit)).text);
  const char *name = label_of(plan->quantity.key);
  if (plan->between_df <= 0) {
    rb_console_tell(console,
                    "%s%s: no line-up has a second sitting yet, so what reseating does is not "
                    "known. Measure one line-up again first.",
                    name, channel);
    return;
  }
  const char *spread =
      rb_cell(console, "%s", rb_figure_prose(plan->between_sd, rb_unit_of_change(unit)).text);
  const char *within =
      rb_cell(console, "%s", rb_figure_prose(plan->within_sd, rb_unit_of_change(unit)).text);
  if (!plan->sittings)
    rb_console_tell(console,
                    "%s%s: over 10 000 sittings of each line-up would be needed to find "
                    "%s; reseating alone moves it by %s.",
                    name, channel, size, spread);
  else
    rb_console_tell(console,
                    "%s%s: to find a change of %s with a probability of %.0f %%, %zu sittings of "
                    "each of two line-ups are needed, %zu passes each (%zu more of the line-up "
                    "with the fewest). Known so far: reseating moves it by %s (one standard "
                    "deviation, %.0f degrees of freedom), passes by %s.",
                    name, channel, size, 100 * power, plan->sittings, n_passes,
                    plan->sittings > fewest ? plan->sittings - fewest : 0, spread, plan->between_df,
                    within);
}

static void answer_plan(rb_json *json, const rb_study_plan *plan)
{
  rb_json_object(json, NULL);
  answer_quantity(json, &plan->quantity);
  rb_json_number(json, "mean", plan->mean);
  rb_json_number(json, "spread_within", plan->within_sd);
  rb_json_number(json, "spread_between", plan->between_sd);
  rb_json_number(json, "within_df", plan->within_df);
  rb_json_number(json, "between_df", plan->between_df);
  if (plan->sittings)
    rb_json_integer(json, "sittings", (int64_t)plan->sittings);
  rb_json_end(json);
}

static rb_status study_plan(rb_console *console, const rb_arguments *arguments,
                            const rb_study_data *data, rb_err *err)
{
  rb_study_plan *plans = NULL;
  size_t n = 0, n_passes = (size_t)rb_argument_number(arguments, "passes");
  double power = rb_argument_number(arguments, "power");
  if (!rb_argument_given(arguments, "change"))
    return rb_fail(err, RB_BAD_ARG,
                   "How large a change? --change X, in the unit of the reading: --plan-for gain "
                   "--change 0.1 is 0.1 dB.");
  double change = rb_argument_number(arguments, "change");
  RB_TRY(rb_study_how_many(data, rb_argument_text(arguments, "plan-for"),
                           rb_argument_text(arguments, "condition"), change, n_passes, power,
                           console->arena, &plans, &n, err));
  rb_json_number(console->answer, "change", change);
  rb_json_number(console->answer, "power", power);
  rb_json_integer(console->answer, "passes", (int64_t)n_passes);
  rb_json_array(console->answer, "plans");
  for (size_t i = 0; i < n; i++) {
    answer_plan(console->answer, &plans[i]);
    tell_plan(console, &plans[i], change, power, n_passes, fewest_sittings(data));
  }
  rb_json_end(console->answer);
  return RB_OK;
}

// ---- study
// ---------------------------------------------------------------------------------------

static rb_status study(rb_console *console, const rb_arguments *arguments, rb_book *book,
                       rb_err *err)
{
  rb_amplifier amplifier;
  rb_study_data *data = rb_arena_alloc(console->arena, 1, sizeof *data);
  if (!data)
    return rb_fail(err, RB_NO_MEM, "Out of memory for a study.");
  RB_TRY(rb_stock_amplifier(console, book, rb_argument_word(arguments, 0), &amplifier, err));
  RB_TRY(rb_study_load(book, amplifier.name, console->arena, data, err));
  rb_json_text(console->answer, "amp", amplifier.name);
  int64_t *shown = rb_arena_alloc(console->arena, data->n_lineups, sizeof *shown);
  for (size_t i = 0; shown && i < data->n_lineups; i++)
    shown[i] = data->lineups[i].id;
  rb_note_shown(console, shown, shown ? data->n_lineups : 0);
  if (rb_argument_given(arguments, "sockets"))
    return study_sockets(console, arguments, data, err);
  if (rb_argument_given(arguments, "plan-for"))
    return study_plan(console, arguments, data, err);
  return study_heard(console, arguments, data, err);
}

static rb_status run(rb_console *console, const rb_arguments *arguments, rb_err *err)
{
  return rb_with_book(console, arguments, RB_BOOK_READ, study, err);
}

static const rb_option options[] = {
    {.name = "sockets",
     .kind = RB_OPTION_TEXT,
     .value = "KEY",
     .help = "Which socket matters for this reading or attribute (heard:noise where it is the "
             "name of both): each tube's effect in its socket"},
    {.name = "plan-for",
     .kind = RB_OPTION_TEXT,
     .value = "KEY",
     .help = "How many sittings a change of --change in this reading needs"},
    {.name = "change",
     .kind = RB_OPTION_NUMBER,
     .value = "X",
     .lowest = 1e-12,
     .highest = 1e9,
     .help = "With --plan-for: size of the change, in the reading's unit"},
    {.name = "passes",
     .kind = RB_OPTION_WHOLE,
     .value = "N",
     .lowest = 1,
     .highest = 1000,
     .fallback = "3",
     .help = "With --plan-for: passes a sitting"},
    {.name = "power",
     .kind = RB_OPTION_NUMBER,
     .value = "SHARE",
     .lowest = 0.5,
     .highest = 0.99,
     .fallback = "0.8",
     .help = "With --plan-for: probability of finding it"},
    {.name = "condition",
     .kind = RB_OPTION_TEXT,
     .value = "TEXT",
     .help = "Only the reading taken under this condition, as --json names it; else the one "
             "measured most"},
    {.name = "with-after",
     .kind = RB_OPTION_FLAG,
     .help = "Take in impressions that were written down after numbers had been shown"},
    {.name = "plots",
     .kind = RB_OPTION_TEXT,
     .value = "DIR",
     .help = "Draw every comparison as an SVG file in this folder"},
};

static const rb_positional positionals[] = {
    {.name = "AMP", .help = "The amplifier; not needed where there is one", .optional = true}};

const rb_command rb_command_study = {
    .name = "study",
    .summary = "Over all line-ups: what was heard against what was measured; which socket matters",
    .description =
        "Ranks the line-ups by what was heard and by each reading tied to it, and tells how well "
        "the two orders agree. Under six line-ups the points are shown and no p value is given.\n"
        "--sockets fits each tube's effect in its socket; --plan-for tells how many more sittings "
        "a change needs.",
    .example = "rollbook study \"Bench amp\" --sockets gain",
    RB_OPTIONS(options),
    RB_POSITIONALS(positionals),
    .run = run,
};
