#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs what the tests need, builds, and runs every test. Debian 12, as root or with sudo.
# An argument names another kind of build: tests/run-all.sh sanitize
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
kind=${1:-dev}
. "$here/src/packages.sh"
install_packages $build_packages $test_packages

build=$here/build-$kind
cmake -G Ninja -S "$here" -B "$build" -DRB_CHECK="$kind"
cmake --build "$build"
exec ctest --test-dir "$build" --output-on-failure --no-tests=error -j "$(nproc)"
