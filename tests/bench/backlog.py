"""Bytes written for a backlog: each node sends the messages that it kept for a day, with their times, in one go.

    /usr/bin/python3 -B tests/bench/backlog.py METERS MESSAGES_OF_A_METER [late]

With `late`, a later message arrives first. Each of the others then divides a lost entry and corrects closed rows.
"""
import json
import subprocess
import sys
import time

from stand import METER, QUIET, Broker, Daemon, Directory, wait_until
from parts.ingest import Booked

DAY_S = 86_400


def send(broker, meter, messages):
    """`messages`: pairs of number and time."""
    lines = "".join(json.dumps({"count": 1000 + 2 * number, "boot": 7, "seq": number, "time": at}) + "\n"
                    for number, at in messages)
    subprocess.run(["mosquitto_pub", "-p", str(broker.port), "-q", "1", "-l", "-t", f"nodes/{meter}/water"], input=lines,
                   text=True, check=True)


meters, each = map(int, sys.argv[1:3])
is_late = sys.argv[3:] == ["late"]
directory = Directory()
broker = Broker(directory)
daemon = Daemon(directory, broker.url, meters=METER + QUIET)
daemon.start()
booked = Booked(daemon)
now = int(time.time())
first = [(0, now - DAY_S - 900)] + ([(each + 1, now)] if is_late else [])
for meter in range(meters):
    send(broker, meter, first)
wait_until(lambda: booked.count() >= meters * len(first), what="the first words")
time.sleep(7)
written = daemon.kernel.written()
for meter in range(meters):
    send(broker, meter, [(number, now - DAY_S + number * DAY_S // each - 60) for number in range(1, each + 1)])
wait_until(lambda: booked.count() >= meters * (len(first) + each), seconds=300, what="the booking of the backlog")
# The changes are published and acknowledged.
time.sleep(10)
print(f"{meters} meters, {each} messages each{', late' if is_late else ''}: "
      f"{(daemon.kernel.written() - written) / (meters * each):.0f} bytes a message")
daemon.stop()
broker.stop()
directory.remove()
