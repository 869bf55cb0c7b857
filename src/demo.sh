#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs what Rollbook needs, builds it, and runs the demo. Debian 12, as root or with sudo.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
. "$here/src/packages.sh"
install_packages $build_packages

cmake -G Ninja -S "$here" -B "$here/build" -DRB_CHECK=release -DRB_TESTS=OFF
cmake --build "$here/build"
exec "$here/build/rollbook" demo "$@"
