// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BOOK_BOOK_H
#define ROLLBOOK_BOOK_BOOK_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/amplifier.h"
#include "rollbook/model/bench.h"
#include "rollbook/model/capture.h"
#include "rollbook/model/results.h"
#include "rollbook/model/sitting.h"

/// Everything kept: a folder with `book.sqlite` and `captures/`. A pass becomes visible whole, with
/// its readings, curves and capture files, or not at all; a killed process loses at most the pass
/// in hand.
typedef struct rb_book rb_book;

typedef enum rb_book_mode {
  RB_BOOK_READ,   ///< Must exist.
  RB_BOOK_WRITE,  ///< Must exist.
  RB_BOOK_CREATE, ///< Made if it is not there.
} rb_book_mode;

/// RB_NOT_FOUND, RB_STORAGE (damaged, newer schema, read-only folder, locked too long).
RB_NODISCARD rb_status rb_book_open(const char *folder, rb_book_mode mode, rb_book **book,
                                    rb_err *err);
void rb_book_close(rb_book *book); ///< NULL is allowed.
const char *rb_book_folder(const rb_book *book);

/// The bench as set; defaults where it never was.
RB_NODISCARD rb_status rb_book_bench(rb_book *book, rb_bench *bench, rb_err *err);
RB_NODISCARD rb_status rb_book_set_bench(rb_book *book, const rb_bench *bench, rb_err *err);

/// Floors from `bench floor`, as readings; the newest of each key, channel and condition.
RB_NODISCARD rb_status rb_book_add_floors(rb_book *book, const rb_results *floors, rb_err *err);
RB_NODISCARD rb_status rb_book_floors(rb_book *book, rb_results *floors, rb_err *err);

/// Adding sets `id`. RB_EXISTS where the name is taken; RB_BAD_ARG where a name is not one
/// (rb_text_is_name) or a fitting names no socket of its amplifier.
RB_NODISCARD rb_status rb_book_add_amplifier(rb_book *book, rb_amplifier *amplifier, rb_err *err);
RB_NODISCARD rb_status rb_book_amplifier(rb_book *book, const char *name, rb_amplifier *amplifier,
                                         rb_err *err);
RB_NODISCARD rb_status rb_book_add_tube(rb_book *book, rb_tube *tube, rb_err *err);
RB_NODISCARD rb_status rb_book_tube(rb_book *book, const char *label, rb_tube *tube, rb_err *err);
RB_NODISCARD rb_status rb_book_add_lineup(rb_book *book, rb_lineup *lineup, rb_err *err);
RB_NODISCARD rb_status rb_book_lineup(rb_book *book, const char *name, rb_lineup *lineup,
                                      rb_err *err);
RB_NODISCARD rb_status rb_book_lineup_by_id(rb_book *book, int64_t id, rb_lineup *lineup,
                                            rb_err *err);

/// Lists in the order they were added; arrays live in `arena`.
RB_NODISCARD rb_status rb_book_amplifiers(rb_book *book, rb_arena *arena, rb_amplifier **amplifiers,
                                          size_t *n, rb_err *err);
RB_NODISCARD rb_status rb_book_tubes(rb_book *book, rb_arena *arena, rb_tube **tubes, size_t *n,
                                     rb_err *err);
RB_NODISCARD rb_status rb_book_lineups(rb_book *book, rb_arena *arena, rb_lineup **lineups,
                                       size_t *n, rb_err *err);

/// A sitting is written at power-on; its passes follow.
RB_NODISCARD rb_status rb_book_add_sitting(rb_book *book, rb_sitting *sitting, rb_err *err);
RB_NODISCARD rb_status rb_book_sitting(rb_book *book, int64_t id, rb_sitting *sitting, rb_err *err);

/// A capture that belongs to a pass being written.
typedef struct rb_kept_capture {
  char signal[48];                   ///< Which signal was played.
  char condition[RB_CONDITION_SIZE]; ///<
  rb_channel drive;                  ///<
  double drive_dbfs[2];              ///<
  rb_capture capture;                ///< Frames borrowed while writing.
} rb_kept_capture;

/// Writes captures (FLAC where it holds them without loss of what the converter gave, else float
/// WAV), flushes them to the disk, then the pass with all readings and curves in one transaction.
/// Sets pass->id.
RB_NODISCARD rb_status rb_book_add_pass(rb_book *book, rb_pass *pass, const rb_results *results,
                                        const rb_kept_capture *captures, size_t n_captures,
                                        rb_err *err);

/// Passes of a line-up (lineup_id > 0) or of a sitting (sitting_id > 0), oldest first.
RB_NODISCARD rb_status rb_book_passes(rb_book *book, int64_t lineup_id, int64_t sitting_id,
                                      rb_arena *arena, rb_pass **passes, size_t *n, rb_err *err);
RB_NODISCARD rb_status rb_book_pass(rb_book *book, int64_t id, rb_pass *pass, rb_err *err);
RB_NODISCARD rb_status rb_book_results(rb_book *book, int64_t pass_id, bool with_curves,
                                       rb_results *results, rb_err *err);

/// Captures of a pass, frames loaded into `arena`.
RB_NODISCARD rb_status rb_book_captures(rb_book *book, int64_t pass_id, rb_arena *arena,
                                        rb_kept_capture **captures, size_t *n, rb_err *err);

/// One finding of a check.
typedef struct rb_book_finding {
  bool damage;     ///< False: only worth knowing (an orphan capture file).
  char words[320]; ///<
} rb_book_finding;

/// Structure, foreign keys, every capture against its stored length and checksum, leftovers.
RB_NODISCARD rb_status rb_book_check(rb_book *book, rb_arena *arena, rb_book_finding **findings,
                                     size_t *n, rb_err *err);

#endif
