// SPDX-License-Identifier: GPL-3.0-or-later
#include "reports.h"

#include "output_file.h"

#include <string.h>

rb_status rb_write_page(rb_console *console, rb_book *book, const rb_report *report,
                        rb_page_writer *write, const char *path, rb_err *err)
{
  rb_text page = {0};
  rb_status status = write(book, report, &page, err);
  if (status == RB_OK && strcmp(path, "-") == 0)
    fwrite(page.bytes, 1, page.length, console->out);
  else if (status == RB_OK)
    status = rb_write_file(path, page.bytes, page.length, err);
  rb_text_free(&page);
  return status;
}

rb_status rb_tell_in_short(rb_console *console, rb_book *book, const rb_report *report, rb_err *err)
{
  rb_text lines = {0};
  rb_status status = rb_report_in_short(book, report, &lines, err);
  rb_json_array(console->answer, "in_short");
  for (char *line = lines.bytes; status == RB_OK && line && *line;) {
    size_t length = strcspn(line, "\n");
    char *next = line + length + (line[length] != '\0');
    line[length] = '\0';
    rb_json_text(console->answer, NULL, line);
    rb_console_tell(console, "%s", line);
    line = next;
  }
  rb_json_end(console->answer);
  rb_text_free(&lines);
  return status;
}
