# SPDX-License-Identifier: GPL-3.0-or-later
# Debian packages, in one place for both scripts. Read by src/demo.sh and tests/run-all.sh.
build_packages="build-essential cmake ninja-build pkg-config portaudio19-dev libasound2-dev libfftw3-dev
  libsndfile1-dev libsamplerate0-dev libebur128-dev libgsl-dev libinih-dev libsqlite3-dev libjansson-dev
  libmicrohttpd-dev librsvg2-dev libcairo2-dev fonts-dejavu-core"
test_packages="libcmocka-dev python3 python3-numpy python3-scipy clang-format ngspice sox
  swh-plugins ladspa-sdk pulseaudio pulseaudio-utils libasound2-plugins jackd2 chromium poppler-utils
  groff-base man-db valgrind procps util-linux"

# Installs those of its arguments that are not there yet.
install_packages()
{
  missing=
  for package in "$@"; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q "ok installed" || missing="$missing $package"
  done
  [ -n "$missing" ] || return 0
  as_root=
  if [ "$(id -u)" -ne 0 ]; then
    as_root=sudo
  fi
  export DEBIAN_FRONTEND=noninteractive
  $as_root apt-get update -q
  # shellcheck disable=SC2086  # a list of names
  $as_root apt-get install -y -q --no-install-recommends $missing
}
