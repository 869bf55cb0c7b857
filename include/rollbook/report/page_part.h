// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_REPORT_PAGE_PART_H
#define ROLLBOOK_REPORT_PAGE_PART_H

/// A file of reports/ (its style sheets and page shells) as built into the program: "page.css".
/// NULL where there is none of that name. Shared, not to be freed.
const char *rb_page_part(const char *name);

#endif
