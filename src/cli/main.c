// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/cli/cli.h"
#include "rollbook/rig/card.h"

int main(int argc, char **argv)
{
  if (rb_card_worker_asked(argc, argv))
    return rb_card_worker_run();
  return rb_cli_main(argc, argv);
}
