"""The cost of a message in two builds of the daemon, measured in turns on one machine:

    /usr/bin/python3 -B tests/bench/turns.py BEFORE AFTER [MESSAGES [MESSAGES_PER_S]]

BEFORE and AFTER are the tickledgerd programs of the two builds. QoS 1, 10, 1 000 and 10 000 topics, 40 000 messages,
6 000 a second.
Prints a table. Needs a build with TICKLEDGER_BENCHMARKS=ON.
"""
import os
import sys
from pathlib import Path

import stand
from stand import TOOLS, Broker, Daemon, Directory, run, wait_until
from parts.ingest import Booked

TURNS = 2
TOPICS = (10, 1000, 10000)


def cost_us(program, topics, messages, pace):
    """Microseconds of processor time a message, with meters that are already known."""
    stand.DAEMON = Path(program)
    directory = Directory()
    broker = Broker(directory)
    daemon = Daemon(directory, broker.url)
    daemon.start()
    booked = Booked(daemon)
    run([TOOLS / "bench_flood", broker.url, 1, topics, topics, pace, 0])
    wait_until(lambda: booked.count() >= topics, seconds=600, what="the first messages")
    before_s = daemon.kernel.cpu_s()
    run([TOOLS / "bench_flood", broker.url, 1, topics, messages, pace, 1])
    wait_until(lambda: booked.count() >= topics + messages, seconds=600, what="the booking")
    cost_s = daemon.kernel.cpu_s() - before_s
    booked.database.close()
    daemon.stop()
    broker.stop()
    directory.remove()
    return cost_s / messages * 1e6


programs = {"before": sys.argv[1], "after": sys.argv[2]}
messages = int(sys.argv[3]) if len(sys.argv) > 3 else 40000
pace = int(sys.argv[4]) if len(sys.argv) > 4 else 6000
print(f"load of the machine when it began: {os.getloadavg()[0]:.1f}\n\n| topics | before, us | after, us |\n|---|---|---|")
for topics in TOPICS:
    costs = {name: [] for name in programs}
    for _ in range(TURNS):
        for name, program in programs.items():
            costs[name].append(cost_us(program, topics, messages, pace))
    row = " | ".join(", ".join(f"{cost:.0f}" for cost in costs[name]) for name in programs)
    print(f"| {topics:,} |".replace(",", " ") + f" {row} |", flush=True)
