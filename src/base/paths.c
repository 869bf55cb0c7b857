// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/paths.h"

const char *rb_path_installed_data(void)
{
  return RB_INSTALLED_DATA;
}

const char *rb_path_source_data(void)
{
  return RB_SOURCE_DATA;
}
