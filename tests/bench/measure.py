"""Measures the chosen parts; see ./tests/bench/run."""
import importlib
import os
import platform
import subprocess
import sys
import time

import table

PARTS = ["ingest", "written", "booking", "queries", "memory", "disk", "growth"]


# The highest load (runnable processes, average over a minute) at which measurements are trusted.
QUIET = 0.3
PATIENCE_S = 300


def wait_for_quiet():
    """The load that the previous part left fades within some minutes. Load from other work does not."""
    deadline = time.monotonic() + PATIENCE_S
    while os.getloadavg()[0] > QUIET:
        if time.monotonic() > deadline:
            sys.exit(f"tests/bench/run: the load is {os.getloadavg()[0]:.1f}; tables are written only below {QUIET}. "
                     "Leave the machine alone and try again, or measure with --loaded, which writes nothing.")
        time.sleep(5)


def circumstances(load):
    """Where and when a part was measured, and the load when it began. A load above the number of cores misleads."""
    with open("/proc/cpuinfo") as file:
        models = [line.split(":", 1)[1].strip() for line in file if line.startswith(("model name", "Model"))]
    file_system = subprocess.run(["findmnt", "-n", "-o", "FSTYPE", "-T", "."], text=True, stdout=subprocess.PIPE).stdout
    return (f"*{time.strftime('%F %H:%M', time.gmtime())} UTC, {models[0] if models else platform.machine()}, "
            f"{os.cpu_count()} cores, {file_system.strip()}; load {load:.1f} when it began*")


def main(arguments):
    quick = "--quick" in arguments
    writes = not quick and "--loaded" not in arguments
    chosen = [argument for argument in arguments if not argument.startswith("-")]
    unknown = [part for part in chosen if part not in PARTS]
    if unknown:
        sys.exit(f"tests/bench/run: no part {unknown[0]}; there are: {' '.join(PARTS)}")
    began = time.monotonic()
    for part in chosen or PARTS:
        if writes:
            wait_for_quiet()
        load = os.getloadavg()[0]
        print(f"=== {part}  (load {load:.1f})", flush=True)
        found = importlib.import_module(f"parts.{part}").measure(quick)
        if writes:
            for name, lines in found.items():
                table.put(name, [circumstances(load), ""] + lines)
    print(f"Measured in {time.monotonic() - began:.0f} s.", "docs/performance.md is as it was: --quick measures too little."
          if quick else "docs/performance.md is as it was." if not writes else f"Written into {table.PAGE}.")


main(sys.argv[1:])
