// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_PROGRESS_H
#define ROLLBOOK_BASE_PROGRESS_H

/// How far a long piece of work has come. `report` may be NULL; it is called at most some twenty
/// times a second, from the thread that does the work, and must not block.
typedef struct rb_progress {
  void (*report)(void *payload, double done, double total);
  void *payload;
} rb_progress;

static inline void rb_progress_tell(const rb_progress *progress, double done, double total)
{
  if (progress && progress->report)
    progress->report(progress->payload, done, total);
}

#endif
