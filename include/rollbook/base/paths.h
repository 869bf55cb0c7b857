// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_PATHS_H
#define ROLLBOOK_BASE_PATHS_H

/// Where the program's own data (signals/, reports/) stands. Shared texts, not to be freed.
const char *rb_path_installed_data(void); ///< "/usr/local/share/rollbook", by the install prefix.
const char *rb_path_source_data(void);    ///< The source tree the program was built from.

#endif
