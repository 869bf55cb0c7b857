# SPDX-License-Identifier: GPL-3.0-or-later
"""The objects of dsp, stats and amp ask nothing of the heap, files, clocks, threads or libc's random numbers.

Looked at in the objects themselves (nm), so a call hidden in a macro is seen too. The three dsp files that
stand before an outside library are named here and nowhere else.
"""
import os
import re
import subprocess
import sys
from pathlib import Path

SOURCE, BUILD = Path(os.environ["RB_SOURCE"]), Path(os.environ["RB_BUILD"])
PURE = ("dsp", "stats", "amp")
EXCEPTIONS = {"dsp/fft.c", "dsp/resample.c", "dsp/loudness.c"}
FORBIDDEN = re.compile(
    r"^(malloc|calloc|realloc|reallocarray|aligned_alloc|posix_memalign|free|strdup|asprintf|"
    r"f?open(64|at)?|fopen64|fdopen|read|write|close|fread|fwrite|fclose|f?printf|puts|putchar|"
    r"__f?printf_chk|time|clock|clock_gettime|gettimeofday|nanosleep|sleep|usleep|"
    r"pthread_\w+|thrd_\w+|mtx_\w+|rand|rand_r|srand|random|srandom|drand48|getrandom|arc4random|"
    r"getenv|exit|abort|system)$")


def main():
    if os.environ.get("RB_CHECK") in ("tsan", "coverage", "fuzz"):
        print("the instrumented build adds calls of its own")
        return 77
    seen, faults = 0, []
    for room in PURE:
        for source in sorted((SOURCE / "src" / room).glob("*.c")):
            name = f"{room}/{source.name}"
            obj = BUILD / "CMakeFiles/rollbook_library.dir/src" / f"{name}.o"
            symbols = subprocess.run(["nm", "-u", "--format=posix", obj], check=True,
                                     capture_output=True, text=True).stdout
            seen += 1
            if name in EXCEPTIONS:
                continue
            faults += [f"src/{name} calls {line.split()[0]}" for line in symbols.splitlines()
                       if FORBIDDEN.match(line.split()[0].split("@")[0])]
    assert seen > 0, "no object of a pure room was found"
    print("\n".join(faults) or f"{seen} objects are pure")
    return 1 if faults else 0


sys.exit(main())
