// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/base/build_info.h"

#ifndef RB_VERSION
#error "CMakeLists.txt defines RB_VERSION and RB_BUILD_KIND for this file"
#endif

#if defined(__clang__)
#define COMPILER "clang " __clang_version__
#else
#define COMPILER "gcc " __VERSION__
#endif

const rb_build_info *rb_build(void)
{
  static const rb_build_info info = {
      .version = RB_VERSION, .compiler = COMPILER, .kind = RB_BUILD_KIND};
  return &info;
}
