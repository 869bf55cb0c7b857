// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_BUILD_INFO_H
#define ROLLBOOK_BASE_BUILD_INFO_H

/// Which program made a result; stored with every pass.
typedef struct rb_build_info {
  const char *version;  ///< "0.1.0"
  const char *compiler; ///< "gcc 12.2.0"
  const char *kind;     ///< "release", "sanitize", …
} rb_build_info;

const rb_build_info *rb_build(void);

#endif
