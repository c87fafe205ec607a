"""Measures one daemon with very many meters, to find its limits:

    /usr/bin/python3 -B tests/bench/crowd.py METERS [ROUNDS [MESSAGES_PER_S]]

Each meter sends one message a round (3 rounds, 2 000 messages a second). Then a building's questions are asked, and the
daemon is restarted. Prints a table. Needs a build with TICKLEDGER_BENCHMARKS=ON.
"""
import os
import sys
import time

from stand import TOOLS, Broker, Daemon, Directory, run, wait_until
from parts.ingest import Booked

meters = int(sys.argv[1])
rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
pace = int(sys.argv[3]) if len(sys.argv) > 3 else 2000
directory = Directory()
broker = Broker(directory)
daemon = Daemon(directory, broker.url, max_meters=meters)
rows = [("load of the machine when it began", f"{os.getloadavg()[0]:.1f}")]


def asked(target):
    """Seconds and megabytes of an answer."""
    began = time.monotonic()
    size = len(daemon.get(target))
    return time.monotonic() - began, size / 1e6


daemon.start()
booked = Booked(daemon)
messages = 0
for said in range(rounds):
    processor, written, began = daemon.kernel.cpu_s(), daemon.kernel.written(), time.monotonic()
    run([TOOLS / "bench_flood", broker.url, 1, meters, meters, pace, said])
    messages += meters
    wait_until(lambda: booked.count() >= messages, seconds=600, what="the booking")
    taken = time.monotonic() - began
    if said in (0, rounds - 1):
        name = "the first messages, which open the accounts" if said == 0 else "messages of meters that are known"
        rows.append((f"{name}: a second", f"{meters / taken:.0f}"))
        rows.append((f"{name}: us of processor time each", f"{(daemon.kernel.cpu_s() - processor) / meters * 1e6:.0f}"))
        rows.append((f"{name}: bytes written each", f"{(daemon.kernel.written() - written) / meters:.0f}"))
time.sleep(3)
rows.append(("memory, MiB resident", f"{daemon.kernel.memory()[0] / 1024:.0f}"))
for target, name in (("/v1/building", "`GET /v1/building`, the first"), ("/v1/building", "`GET /v1/building`, again"),
                     ("/v1/usage?step=day&from=today-6d", "`GET /v1/usage`, seven days of all")):
    seconds, size = asked(target)
    rows.append((f"{name}: s", f"{seconds:.2f}, {size:.1f} MB"))
rows.append(("memory after these, MiB resident", f"{daemon.kernel.memory()[0] / 1024:.0f}"))
booked.database.close()
daemon.stop()
rows.append(("start until ready, s", f"{daemon.start(subscribed=False):.2f}"))
time.sleep(3)
rows.append(("memory after a start, MiB resident", f"{daemon.kernel.memory()[0] / 1024:.0f}"))
daemon.stop()
broker.stop()
directory.remove()
print(f"| {meters:,} meters | |\n|---|---|".replace(",", " "))
for name, value in rows:
    print(f"| {name} | {value} |")
