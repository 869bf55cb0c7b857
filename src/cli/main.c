// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/cli.h"

int main(int argc, char **argv)
{
  return rb_cli_main(argc, argv);
}
