"""Booking without a disk, and replay."""
import json

from stand import TOOLS, Daemon, Directory, median, recording, replay, run, taken, told
from table import Table

CADENCE = """
[[meter]]
id = "m-{1}"
topic = "nodes/+/water"
cadence = "15min"
[meter.alarms]
silent_after = "1h"
"""


def booking(table, quick):
    found = json.loads(run([TOOLS / "bench_booking", "--benchmark_format=json",
                            f"--benchmark_min_time={0.1 if quick else 0.5}",
                            f"--benchmark_repetitions={3 if quick else 7}",
                            "--benchmark_enable_random_interleaving=true"]))
    rates = {}
    for one in found["benchmarks"]:
        if one["run_type"] == "iteration":
            rates.setdefault(one["name"].split("/")[0], []).append(one["items_per_second"] / 1e6)
    words = {"book_counts": "counts booked", "book_pulses": "pulses booked",
             "book_counts_into_rows": "counts booked and spread over five series"}
    for name, values in rates.items():
        limit = None if name == "book_counts_into_rows" else 5
        if limit:
            table.ratio(f"{words[name]}, millions/s on one core", median(values), "{:.1f}", limit, most=False,
                        note=f"; {told(values, '{:.1f}')}")
        else:
            table.add(f"{words[name]}, millions/s on one core", told(values, "{:.1f}"))


def replays(table, quick):
    cases = [("ten years of one meter at 3 minutes", 1, 180, 3650, 4), ("a day of 10 000 meters at 15 minutes", 10_000, 900, 1, 6)]
    for what, meters, cadence, days, limit in cases:
        file = recording(meters, cadence, days * 86_400)
        ours, least, least_of_five = [], [], []
        for _ in range(1 if quick else 5):
            directory = Directory()
            daemon = Daemon(directory, meters=CADENCE)
            least.append(taken([TOOLS / "bench_least", "replay", 1, file, directory.path / "least.db"]))
            least_of_five.append(taken([TOOLS / "bench_least", "replay", 5, file, directory.path / "five.db"]))
            ours.append(replay(daemon.config, directory.path / "replayed.db", file))
            directory.remove()
        real, processor = zip(*ours)
        of_least = median([our / its for (_, our), (_, its) in zip(ours, least)])
        table.ratio(f"replay of {what}, s", median(real), "{:.1f}", limit,
                    note=f"; {told(real, '{:.1f}')}; on a processor {told(processor, '{:.1f}')}, "
                         f"{of_least:.1f} times the least's")
        for sums, taking in (("", least), (" with five sums", least_of_five)):
            table.add(f"the least's replay of {what}{sums}, s", f"{told([one[0] for one in taking], '{:.1f}')}; "
                      f"on a processor {told([one[1] for one in taking], '{:.1f}')}")


def measure(quick):
    table = Table("booking")
    booking(table, quick)
    replays(table, quick)
    return {"booking": table.markdown()}
