// SPDX-License-Identifier: GPL-3.0-or-later
#include "page.h"

#include "tables.h"

#include "rollbook/report/words.h"

#include <stdio.h>
#include <string.h>

static rb_status write_stay(html_writer *page, const tube_stay *stay, rb_arena *arena)
{
  const rb_lineup *lineup = stay->page.lineup;
  const rb_socket *socket = rb_amplifier_socket(&lineup->amplifier, stay->socket);
  const rb_fitting *fitting = rb_lineup_fitting(lineup, stay->socket);
  shown values;
  RB_TRY(shown_from_table(lineup, stay->page.table, NULL, arena, &values));
  shown_keep_socket(&values, stay->socket);
  html_open(page, "h2", NULL);
  html_printf(page, "In %s of %s, line-up %s", stay->socket, lineup->amplifier.name, lineup->name);
  html_close(page);
  html_open(page, "p", "class", "place", NULL);
  if (socket)
    html_printf(page, "The %s, %s. ", rb_role_name(socket->role),
                socket->channel == RB_BOTH ? "both channels" : rb_channel_name(socket->channel));
  if (fitting && fitting->bias_ma > 0)
    html_printf(page, "Set to %s at the cathode. ", rb_figure_prose(fitting->bias_ma, "mA").text);
  html_printf(page, "%s in %s, the last on %.10s.",
              rb_figure_count(stay->page.table->n_passes, "pass", "passes").text,
              rb_figure_count(stay->page.n_sittings, "sitting", "sittings").text,
              stay->page.n_sittings ? stay->page.sittings[stay->page.n_sittings - 1].started_at
                                    : "–");
  html_close(page);
  tables_main(page, &values);
  return RB_OK;
}

static void write_claims(html_writer *page)
{
  html_element(page, "h2", NULL, "What this card does not claim");
  html_open(page, "ul", "class", "claims", NULL);
  html_element(page, "li", NULL,
               "The readings are of the whole amplifier with this tube in that socket, not of the "
               "tube alone; in "
               "another amplifier or socket they will differ.");
  html_element(page, "li", NULL,
               "Nothing here promises how long the tube will last, or how it will sound.");
  html_element(page, "li", NULL,
               "“±” holds about 95 % of repeats on this bench. “below …” means that the bench "
               "could not tell the "
               "value from nothing.");
  html_close(page);
}

static void write_head(html_writer *page, const tube_page *data)
{
  html_element(page, "p", "kind", "Tube card");
  html_element(page, "h1", NULL, data->tube->label);
  html_open(page, "p", "class", "place", NULL);
  html_printf(page, "%s, measured in %s.", data->tube->type,
              rb_figure_count(data->n_stays, "line-up", "line-ups").text);
  html_close(page);
  if (data->tube->note[0])
    html_element(page, "p", NULL, data->tube->note);
  size_t simulated = 0;
  for (size_t i = 0; i < data->n_stays; i++)
    simulated += page_is_simulated(data->stays[i].page.sittings, data->stays[i].page.n_sittings);
  if (simulated)
    page_invented(page, data->stays[0].page.sittings, data->stays[0].page.n_sittings);
}

rb_status page_tube(const tube_page *data, rb_arena *arena, rb_text *out)
{
  rb_text body = {0};
  html_writer page = {.out = &body};
  html_open(&page, "main", NULL);
  write_head(&page, data);
  rb_status status = RB_OK;
  for (size_t i = 0; i < data->n_stays && status == RB_OK; i++)
    status = write_stay(&page, &data->stays[i], arena);
  if (status == RB_OK) {
    write_claims(&page);
    page_safety(&page);
    html_close(&page);
    page_finish(data->tube->label, &body, out);
    status = body.failed || out->failed ? RB_NO_MEM : RB_OK;
  }
  rb_text_free(&body);
  return status;
}
