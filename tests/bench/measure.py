"""Measures the parts that are asked for; see ./tests/bench/run."""
import importlib
import os
import sys
import time

import table

PARTS = ["ingest", "written", "booking", "queries", "memory", "disk", "growth"]


def main(arguments):
    quick = "--quick" in arguments
    chosen = [argument for argument in arguments if not argument.startswith("-")]
    unknown = [part for part in chosen if part not in PARTS]
    if unknown:
        sys.exit(f"tests/bench/run: no part {unknown[0]}; there are: {' '.join(PARTS)}")
    began = time.monotonic()
    for part in chosen or PARTS:
        print(f"=== {part}  (load {os.getloadavg()[0]:.1f})", flush=True)
        found = importlib.import_module(f"parts.{part}").measure(quick)
        for name, lines in found.items():
            if quick:
                continue
            table.put(name, lines)
    print(f"Measured in {time.monotonic() - began:.0f} s.", "docs/performance.md is as it was: --quick measures too little."
          if quick else f"Written into {table.PAGE}.")


main(sys.argv[1:])
