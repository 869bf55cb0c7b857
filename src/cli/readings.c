// SPDX-License-Identifier: GPL-3.0-or-later
#include "readings.h"

#include "rollbook/report/words.h"

#include <string.h>

static const char *const brief_keys[] = {"level", "gain",      "thd",    "h2",
                                         "h3",    "h2_signed", "hum_2x", "noise_a"};

bool rb_is_brief_reading(const char *key)
{
  for (size_t i = 0; i < RB_LEN(brief_keys); i++)
    if (strcmp(brief_keys[i], key) == 0)
      return true;
  return false;
}

bool rb_is_empty_reading(const char *unit, bool resolved)
{
  return !resolved && strcmp(unit, "deg") == 0;
}

static bool is_wanted(const rb_reading *reading, bool brief)
{
  return (!brief || rb_is_brief_reading(reading->key)) &&
         !rb_is_empty_reading(reading->unit, reading->resolved);
}

// The first reading of this condition stands here, so that each condition is listed once.
static bool begins_condition(const rb_results *results, size_t at)
{
  for (size_t i = 0; i < at; i++)
    if (strcmp(results->readings[i].condition, results->readings[at].condition) == 0)
      return false;
  return true;
}

static const rb_reading *find(const rb_results *results, const char *key, rb_channel channel,
                              const char *condition)
{
  for (size_t i = 0; i < results->n_readings; i++) {
    const rb_reading *reading = &results->readings[i];
    if (reading->channel == channel && strcmp(reading->key, key) == 0 &&
        strcmp(reading->condition, condition) == 0)
      return reading;
  }
  return NULL;
}

// Whether this condition has anything to list on that channel.
static bool has_channel(const rb_results *results, rb_channel channel, const char *condition,
                        bool brief)
{
  for (size_t i = 0; i < results->n_readings; i++) {
    const rb_reading *reading = &results->readings[i];
    if (reading->channel == channel && strcmp(reading->condition, condition) == 0 &&
        is_wanted(reading, brief))
      return true;
  }
  return false;
}

static void list_condition(rb_console *console, const rb_results *results, const char *condition,
                           bool brief)
{
  rb_listing_column columns[4] = {
      {rb_cell(console, "%s", rb_condition_words(condition).text), false}};
  rb_channel channels[3];
  size_t n_channels = 0, n_kinds = 0, n_rows = 0;
  for (unsigned channel = RB_LEFT; channel <= RB_BOTH; channel++)
    if (has_channel(results, (rb_channel)channel, condition, brief)) {
      channels[n_channels++] = (rb_channel)channel;
      columns[n_channels] = (rb_listing_column){rb_channel_name((rb_channel)channel), true};
    }
  rb_listing *listing = rb_listing_new(console, columns, n_channels + 1);
  const rb_reading_kind *kinds = rb_reading_kinds(&n_kinds);
  for (size_t i = 0; i < n_kinds; i++) {
    const char *cells[4] = {kinds[i].label};
    bool any = false;
    for (size_t c = 0; c < n_channels; c++) {
      const rb_reading *reading = find(results, kinds[i].key, channels[c], condition);
      if (reading && !is_wanted(reading, brief))
        reading = NULL;
      any = any || reading;
      cells[c + 1] = reading ? rb_cell(console, "%s", rb_figure_reading(reading).text) : "";
    }
    if (!any)
      continue;
    if (!n_rows++ && !console->json)
      fputc('\n', console->out);
    rb_listing_row(listing, cells);
  }
  rb_listing_print(listing);
}

void rb_list_readings(rb_console *console, const rb_results *results, bool brief)
{
  for (size_t i = 0; i < results->n_readings; i++)
    if (begins_condition(results, i))
      list_condition(console, results, results->readings[i].condition, brief);
}
