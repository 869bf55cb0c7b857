# SPDX-License-Identifier: GPL-3.0-or-later
"""Which room may look where, and which outside library is known in which file."""
import fnmatch
import glob
import os
import re
import sys

SOURCE = os.environ["RB_SOURCE"]
INCLUDE = re.compile(r'^\s*#\s*include\s+([<"])([^>"]+)[>"]', re.M)
OUTSIDE = ("fftw3", "samplerate", "ebur128", "gsl/", "ini.h", "portaudio", "pa_", "sndfile", "sqlite3",
           "cairo", "librsvg/", "glib", "jansson", "microhttpd", "getopt.h", "ladspa", "cmocka")


def read_rooms():
    order, allowed = [], {}
    for line in open(os.path.join(SOURCE, "tests/lint/rooms.txt")):
        line = line.split("#")[0].split()
        if line:
            order.append(line[0])
            allowed[line[0]] = [(entry.split("=")[0], entry.split("=")[1].split(",")) for entry in line[1:]]
    return order, allowed


def room_of(path):
    parts = os.path.relpath(path, SOURCE).split(os.sep)
    return parts[2] if parts[0] == "include" else parts[1]


def check_file(path, order, allowed):
    room = room_of(path)
    if room not in order:
        return [f"{path}: no such room '{room}' in tests/lint/rooms.txt"]
    above = set(order[: order.index(room) + 1])
    faults = []
    for kind, name in INCLUDE.findall(open(path, encoding="utf-8").read()):
        if name.startswith("rollbook/"):
            target = name.split("/")[1]
            if target not in above:
                faults.append(f"{path}: room '{room}' may not look into '{target}' ({name})")
        elif kind == "<" and name.startswith(OUTSIDE):
            files = [f for prefix, listed in allowed[room] if name.startswith(prefix) for f in listed]
            if not any(fnmatch.fnmatch(os.path.basename(path), f) for f in files):
                faults.append(f"{path}: '{name}' is not for this file")
    return faults


def main():
    order, allowed = read_rooms()
    paths = [p for pattern in ("src/*/*.[ch]", "include/rollbook/*/*.h")
             for p in glob.glob(os.path.join(SOURCE, pattern))]
    assert len(paths) > 20, "the tree was not found"
    faults = [fault for path in sorted(paths) for fault in check_file(path, order, allowed)]
    print("\n".join(faults) or f"{len(paths)} files look only where they may")
    return 1 if faults else 0


sys.exit(main())
