# SPDX-License-Identifier: GPL-3.0-or-later
"""The tree itself: top level, licence lines, headers that stand alone, length of functions, format."""
import os
import re
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

SOURCE = Path(os.environ["RB_SOURCE"])
TOP = re.compile(r"^(src|include|tests|signals|reports|CMakeLists\.txt|README\.md|DEVELOPERS\.md|SAFETY\.md|"
                 r"LICENSE|\..*|build.*)$")
LONGEST_FUNCTION = 60


def c_files():
    return [p for pattern in ("src/*/*.[ch]", "include/rollbook/*/*.h", "tests/*/*.[ch]")
            for p in sorted(SOURCE.glob(pattern))]


def top_level():
    return [f"the top level holds '{p.name}'" for p in SOURCE.iterdir() if not TOP.match(p.name)]


def licence_lines():
    scripts = [p for pattern in ("tests/*/*.py", "tests/*.sh", "src/*.sh") for p in SOURCE.glob(pattern)]
    return [f"{p}: no SPDX line among the first three" for p in c_files() + scripts
            if "SPDX-License-Identifier: GPL-3.0-or-later" not in "".join(p.open().readlines()[:3])]


def header_alone(header):
    command = ["cc", "-std=gnu17", "-Wall", "-Wextra", "-Werror", "-D_GNU_SOURCE", f"-I{SOURCE}/include",
               "-fsyntax-only", "-xc", "-"]
    done = subprocess.run(command, input=f'#include "{header.relative_to(SOURCE / "include")}"\n',
                          text=True, capture_output=True)
    return [] if done.returncode == 0 else [f"{header} does not stand alone: {done.stderr.splitlines()[0]}"]


def headers_alone():
    headers = sorted(SOURCE.glob("include/rollbook/*/*.h"))
    with ThreadPoolExecutor(2) as pool:
        return [fault for faults in pool.map(header_alone, headers) for fault in faults]


def long_functions():
    faults = []
    for path in SOURCE.glob("src/*/*.c"):
        start = None
        for number, line in enumerate(path.open(encoding="utf-8"), 1):
            if line.startswith("{"):
                start = number
            elif line.startswith("}") and start:
                if number - start - 1 > LONGEST_FUNCTION:
                    faults.append(f"{path}:{start}: a function of {number - start - 1} lines")
                start = None
    return faults


def formatted():
    tool = shutil.which("clang-format-14") or shutil.which("clang-format")
    if not tool:
        return ["clang-format is not installed: run the README's test command"]
    done = subprocess.run([tool, "--dry-run", "-Werror", *map(str, c_files())], capture_output=True, text=True)
    names = sorted({line.split(":")[0] for line in done.stderr.splitlines() if "error:" in line})
    return [f"{name} is not formatted: clang-format -i {name}" for name in names]


def main():
    faults = []
    for check in (top_level, licence_lines, headers_alone, long_functions, formatted):
        found = check()
        print(f"{check.__name__}: {len(found)} faults")
        faults += found
    print("\n".join(faults))
    return 1 if faults else 0


sys.exit(main())
