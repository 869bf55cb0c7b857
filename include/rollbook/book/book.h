// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BOOK_BOOK_H
#define ROLLBOOK_BOOK_BOOK_H

#include "rollbook/base/arena.h"
#include "rollbook/base/error.h"
#include "rollbook/model/amplifier.h"
#include "rollbook/model/bench.h"
#include "rollbook/model/capture.h"
#include "rollbook/model/impression.h"
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

/// A capture that belongs to a pass.
typedef struct rb_kept_capture {
  char file[96];                     ///< Set by the book: its file under `captures/`.
  char signal[48];                   ///< Which signal was played.
  char condition[RB_CONDITION_SIZE]; ///<
  rb_channel drive;                  ///<
  double drive_dbfs[2];              ///<
  rb_capture capture;                ///< Frames borrowed while writing.
} rb_kept_capture;

/// Writes captures (24-bit FLAC where every sample is exactly a 24-bit value, else float WAV; read
/// back and compared), flushes them to the disk, then the pass with all readings and curves in one
/// transaction. Curves keep x in double and y in single precision. Sets pass->id. RB_BAD_ARG where
/// a reading is not a finite number or stands twice.
RB_NODISCARD rb_status rb_book_add_pass(rb_book *book, rb_pass *pass, const rb_results *results,
                                        const rb_kept_capture *captures, size_t n_captures,
                                        rb_err *err);

/// Passes of a line-up (lineup_id > 0) or of a sitting (sitting_id > 0), oldest first.
RB_NODISCARD rb_status rb_book_passes(rb_book *book, int64_t lineup_id, int64_t sitting_id,
                                      rb_arena *arena, rb_pass **passes, size_t *n, rb_err *err);
RB_NODISCARD rb_status rb_book_pass(rb_book *book, int64_t id, rb_pass *pass, rb_err *err);
RB_NODISCARD rb_status rb_book_results(rb_book *book, int64_t pass_id, bool with_curves,
                                       rb_results *results, rb_err *err);

/// Captures of a pass; with `with_frames` the frames are loaded into `arena`, else
/// `capture.frames` is NULL. RB_STORAGE where a file is missing or damaged.
RB_NODISCARD rb_status rb_book_captures(rb_book *book, int64_t pass_id, bool with_frames,
                                        rb_arena *arena, rb_kept_capture **captures, size_t *n,
                                        rb_err *err);

/// What a reading is of; readings with the same quantity may be compared.
typedef struct rb_quantity {
  char key[RB_KEY_SIZE];
  rb_channel channel;
  char condition[RB_CONDITION_SIZE];
  char unit[RB_UNIT_SIZE];
} rb_quantity;

/// A pass as a row of a table of readings.
typedef struct rb_table_pass {
  int64_t pass_id, sitting_id, lineup_id;
  char started_at[32];     ///< Of the sitting.
  double powered_on_utc_s; ///< Of the sitting.
  double since_power_on_s; ///< Of the pass.
  double mains_vrms;       ///< 0 where not entered.
  bool settled;            ///<
} rb_table_pass;

/// A reading in a table: which pass and which quantity, as positions in the table's arrays.
typedef struct rb_table_value {
  uint32_t pass, quantity;
  double value, uncertainty, floor;
  bool resolved;
} rb_table_value;

/// Many readings at once, oldest sitting first, passes in order within it, values by pass.
typedef struct rb_table {
  rb_quantity *quantities;
  rb_table_pass *passes;
  rb_table_value *values;
  size_t n_quantities, n_passes, n_values;
} rb_table;

/// Which passes a table holds.
typedef struct rb_table_want {
  int64_t amplifier_id;  ///< Of this amplifier; 0: any.
  int64_t lineup_ids[2]; ///< All passes of these line-ups; 0: none.
  size_t n_other_passes; ///< And the newest passes of other line-ups, at most this many.
} rb_table_want;

/// All readings wanted, in one go; arrays live in `arena`.
RB_NODISCARD rb_status rb_book_readings(rb_book *book, const rb_table_want *want, rb_arena *arena,
                                        rb_table *table, rb_err *err);

/// Remembers that numbers of this line-up were shown to the user just now; the first time counts.
RB_NODISCARD rb_status rb_book_mark_shown(rb_book *book, int64_t lineup_id, rb_err *err);

/// Adds what was heard; sets `id`, `heard_at` where it is empty, and `after_numbers` where numbers
/// of either line-up had been shown before it was entered, whatever `heard_at` says. RB_BAD_ARG for
/// an attribute that is not one, a score outside −3 … +3, line-ups that are the same or of
/// different amplifiers; RB_NOT_FOUND.
RB_NODISCARD rb_status rb_book_add_impression(rb_book *book, rb_impression *impression,
                                              rb_err *err);

/// Impressions of these two line-ups against each other, either way round; with 0 and 0 those of
/// the whole book. Oldest first, in `arena`.
RB_NODISCARD rb_status rb_book_impressions(rb_book *book, int64_t lineup_id, int64_t against_id,
                                           rb_arena *arena, rb_impression **impressions, size_t *n,
                                           rb_err *err);

/// One finding of a check.
typedef struct rb_book_finding {
  bool damage;     ///< False: only worth knowing (an orphan capture file).
  char words[320]; ///<
} rb_book_finding;

/// Structure, foreign keys, every capture against its stored length and checksum, leftovers. The
/// book is sound where no finding says damage.
RB_NODISCARD rb_status rb_book_check(rb_book *book, rb_arena *arena, rb_book_finding **findings,
                                     size_t *n, rb_err *err);

/// Removes capture files that belong to no pass (left by a killed process); `*n_removed` of them.
RB_NODISCARD rb_status rb_book_prune(rb_book *book, size_t *n_removed, rb_err *err);

/// Copies the whole book, as it stands at one moment, into the new folder `to`; RB_EXISTS where
/// there is a book already.
RB_NODISCARD rb_status rb_book_backup(rb_book *book, const char *to, rb_err *err);

#endif
