// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_BASE_ATTRIBUTES_H
#define ROLLBOOK_BASE_ATTRIBUTES_H

/// The result says whether the call worked and must be looked at.
#define RB_NODISCARD __attribute__((warn_unused_result))
/// Argument `format_index` is a printf format; its values start at argument `first_index`.
#define RB_PRINTF(format_index, first_index)                                                       \
  __attribute__((format(printf, format_index, first_index)))
/// Runs in the audio callback: no allocation, no lock, no file, no system call.
#define RB_REALTIME
/// The returned object belongs to the caller, who gives it back to `release`.
#if defined(__GNUC__) && !defined(__clang__)
#define RB_OWNED(release) __attribute__((malloc(release, 1))) RB_NODISCARD
#else
#define RB_OWNED(release) RB_NODISCARD
#endif

/// Number of elements of an array (not of a pointer).
#define RB_LEN(array) (sizeof(array) / sizeof((array)[0]))

#endif
