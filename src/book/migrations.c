// SPDX-License-Identifier: GPL-3.0-or-later
#include "migrations.h"

#include "rollbook/base/attributes.h"

// Old texts never change: a book in the field stands at one of these versions.

static const char stock[] =
    "CREATE TABLE bench ("
    " id INTEGER PRIMARY KEY, rig TEXT NOT NULL, rate_hz REAL NOT NULL,"
    " output_left INTEGER NOT NULL, output_right INTEGER NOT NULL,"
    " input_left INTEGER NOT NULL, input_right INTEGER NOT NULL,"
    " load_ohm REAL NOT NULL, load_tolerance_pct REAL NOT NULL, attenuator_ratio REAL NOT NULL,"
    " mains_hz REAL NOT NULL, ceiling_dbfs REAL NOT NULL, ceiling_w REAL NOT NULL,"
    " calibrated INTEGER NOT NULL,"
    " load_vrms_per_fs_left REAL NOT NULL, load_vrms_per_fs_right REAL NOT NULL,"
    " calibration_pct REAL NOT NULL, calibrated_at TEXT NOT NULL,"
    " polarity_left INTEGER NOT NULL, polarity_right INTEGER NOT NULL) STRICT;"
    "CREATE TABLE bench_in_use ("
    " only INTEGER PRIMARY KEY CHECK (only = 1),"
    " bench_id INTEGER NOT NULL REFERENCES bench(id)) STRICT;"
    "CREATE TABLE amplifier ("
    " id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, note TEXT NOT NULL,"
    " rated_power_w REAL NOT NULL) STRICT;"
    "CREATE TABLE socket ("
    " id INTEGER PRIMARY KEY, amplifier_id INTEGER NOT NULL REFERENCES amplifier(id),"
    " name TEXT NOT NULL, role TEXT NOT NULL, channel TEXT NOT NULL, type TEXT NOT NULL,"
    " UNIQUE (amplifier_id, name)) STRICT;"
    "CREATE TABLE tube ("
    " id INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, type TEXT NOT NULL,"
    " note TEXT NOT NULL, truth TEXT NOT NULL) STRICT;"
    "CREATE TABLE lineup ("
    " id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,"
    " amplifier_id INTEGER NOT NULL REFERENCES amplifier(id), note TEXT NOT NULL) STRICT;"
    "CREATE INDEX lineup_of_amplifier ON lineup(amplifier_id);"
    "CREATE TABLE fitting ("
    " id INTEGER PRIMARY KEY, lineup_id INTEGER NOT NULL REFERENCES lineup(id),"
    " socket TEXT NOT NULL, tube_id INTEGER NOT NULL REFERENCES tube(id),"
    " bias_ma REAL NOT NULL,"
    " UNIQUE (lineup_id, socket), UNIQUE (lineup_id, tube_id)) STRICT;";

static const char measured[] =
    "CREATE TABLE sitting ("
    " id INTEGER PRIMARY KEY, lineup_id INTEGER NOT NULL REFERENCES lineup(id),"
    " bench_id INTEGER NOT NULL REFERENCES bench(id), started_at TEXT NOT NULL,"
    " powered_on_utc_s REAL NOT NULL, mains_vrms REAL NOT NULL, room_degc REAL,"
    " drive_left_dbfs REAL NOT NULL, drive_right_dbfs REAL NOT NULL, note TEXT NOT NULL) STRICT;"
    "CREATE INDEX sitting_of_lineup ON sitting(lineup_id);"
    "CREATE TABLE pass ("
    " id INTEGER PRIMARY KEY, sitting_id INTEGER NOT NULL REFERENCES sitting(id),"
    " plan TEXT NOT NULL, started_at TEXT NOT NULL, since_power_on_s REAL NOT NULL,"
    " settled INTEGER NOT NULL, program TEXT NOT NULL) STRICT;"
    "CREATE INDEX pass_of_sitting ON pass(sitting_id);"
    "CREATE TABLE quantity ("
    " id INTEGER PRIMARY KEY, key TEXT NOT NULL, channel TEXT NOT NULL,"
    " condition TEXT NOT NULL, unit TEXT NOT NULL,"
    " UNIQUE (key, channel, condition, unit)) STRICT;"
    "CREATE TABLE reading ("
    " pass_id INTEGER NOT NULL REFERENCES pass(id),"
    " quantity_id INTEGER NOT NULL REFERENCES quantity(id),"
    " value REAL NOT NULL, uncertainty REAL NOT NULL, floor REAL NOT NULL,"
    " resolved INTEGER NOT NULL, PRIMARY KEY (pass_id, quantity_id)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE axis ("
    " id INTEGER PRIMARY KEY, unit TEXT NOT NULL, n INTEGER NOT NULL, checksum INTEGER NOT NULL,"
    " encoding TEXT NOT NULL, x BLOB NOT NULL) STRICT;"
    "CREATE INDEX axis_by_checksum ON axis(checksum);"
    "CREATE TABLE curve ("
    " id INTEGER PRIMARY KEY, pass_id INTEGER NOT NULL REFERENCES pass(id),"
    " quantity_id INTEGER NOT NULL REFERENCES quantity(id),"
    " axis_id INTEGER NOT NULL REFERENCES axis(id), encoding TEXT NOT NULL,"
    " y BLOB NOT NULL, uncertainty BLOB, UNIQUE (pass_id, quantity_id)) STRICT;"
    "CREATE TABLE capture ("
    " id INTEGER PRIMARY KEY, pass_id INTEGER NOT NULL REFERENCES pass(id),"
    " file TEXT NOT NULL UNIQUE, n_bytes INTEGER NOT NULL, checksum INTEGER NOT NULL,"
    " signal TEXT NOT NULL, condition TEXT NOT NULL, drive TEXT NOT NULL,"
    " drive_left_dbfs REAL NOT NULL, drive_right_dbfs REAL NOT NULL,"
    " n_frames INTEGER NOT NULL, n_channels INTEGER NOT NULL, rate_hz REAL NOT NULL,"
    " clipped_frames INTEGER NOT NULL, lost_frames INTEGER NOT NULL,"
    " discontinuities INTEGER NOT NULL, overruns INTEGER NOT NULL, underruns INTEGER NOT NULL,"
    " usable INTEGER NOT NULL) STRICT;"
    "CREATE INDEX capture_of_pass ON capture(pass_id);"
    "CREATE TABLE bench_floor ("
    " id INTEGER PRIMARY KEY, measured_at TEXT NOT NULL,"
    " quantity_id INTEGER NOT NULL REFERENCES quantity(id), value REAL NOT NULL,"
    " uncertainty REAL NOT NULL, floor REAL NOT NULL, resolved INTEGER NOT NULL) STRICT;"
    "CREATE INDEX floor_of_quantity ON bench_floor(quantity_id);";

// What a listener noted of a line-up against another, and when numbers of a line-up were shown, so
// that an impression entered after them can be marked.
static const char heard[] =
    "CREATE TABLE impression ("
    " id INTEGER PRIMARY KEY, lineup_id INTEGER NOT NULL REFERENCES lineup(id),"
    " against_id INTEGER NOT NULL REFERENCES lineup(id), attribute TEXT NOT NULL,"
    " score INTEGER NOT NULL CHECK (score BETWEEN -3 AND 3), programme TEXT NOT NULL,"
    " blind INTEGER NOT NULL, after_numbers INTEGER NOT NULL, note TEXT NOT NULL,"
    " heard_at TEXT NOT NULL) STRICT;"
    "CREATE INDEX impression_of_lineup ON impression(lineup_id);"
    "CREATE TABLE shown ("
    " id INTEGER PRIMARY KEY, lineup_id INTEGER NOT NULL REFERENCES lineup(id),"
    " shown_at TEXT NOT NULL) STRICT;"
    "CREATE INDEX shown_of_lineup ON shown(lineup_id);";

// How loud it was when something was heard, and where the listener sits.
static const char loudness[] = "ALTER TABLE impression ADD COLUMN volume TEXT NOT NULL DEFAULT '';"
                               "ALTER TABLE bench ADD COLUMN speaker_db REAL NOT NULL DEFAULT 0;"
                               "ALTER TABLE bench ADD COLUMN listener_m REAL NOT NULL DEFAULT 0;";

static const char *const texts[] = {stock, measured, heard, loudness};

const char *const *book_migrations(size_t *n)
{
  *n = RB_LEN(texts);
  return texts;
}
