// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/status.h"

static const char *const texts[] = {
#define RB_STATUS_TEXT(name, text) [RB_##name] = (text),
    RB_STATUS_LIST(RB_STATUS_TEXT)
#undef RB_STATUS_TEXT
};

const char *rb_status_text(rb_status status)
{
  return (unsigned)status < RB_STATUS_COUNT ? texts[status] : "unknown status";
}
