"""Stores that take a long time to make. They are made once, below the build directory."""
import shutil
import subprocess
import time

from stand import DAEMON, KEPT, TOOLS, Daemon, Directory, stop

YEARS = 10
METERS = """
[[meter]]
id = "m-{1}"
topic = "nodes/+/water"
cadence = "15min"
[meter.alarms]
silent_after = "1h"
"""
KEEPING = 'keep_readings = "4000d"'


def store(meters, cadence_s, days):
    """The directory of a store with this many meters, and how many readings it holds. The last reading is of the
    midnight (UTC) before the store was made."""
    KEPT.mkdir(parents=True, exist_ok=True)
    place = KEPT / f"store-{meters}-meters-{cadence_s}-s-{days}-days"
    if not (place / "ledger.db").exists():
        print(f"  making a store of {meters} meters, {days} days, a reading in {cadence_s} s ...", flush=True)
        part = place.with_suffix(".part")
        shutil.rmtree(part, True)
        part.mkdir()
        directory = Directory()
        daemon = Daemon(directory, store=KEEPING, meters=METERS)
        today = int(time.time()) // 86_400 * 86_400
        lines = subprocess.Popen([TOOLS / "bench_recording", str(meters), str(cadence_s), str(days * 86_400), str(today)],
                                 stdout=subprocess.PIPE)
        subprocess.run([DAEMON, "replay", "--config", daemon.config, "--into", part / "ledger.db", "-"], check=True,
                       stdin=lines.stdout, stdout=subprocess.DEVNULL)
        stop(lines)
        directory.remove()
        part.rename(place)
    return place, meters * days * 86_400 // cadence_s


def years(quick):
    """Ten years of a hundred meters at 15 minutes; of two meters if `quick`."""
    return store(2 if quick else 100, 900, 3652)
