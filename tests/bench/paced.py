"""What a message costs at a pace that the machine keeps, so that its load changes little:

    /usr/bin/python3 -B tests/bench/paced.py TOPICS MESSAGES MESSAGES_PER_S [pages]

Prints the bytes that the daemon wrote a message, and its processor time; with `pages` also of which tables the pages
were that its commits wrote (tests/bench/wal_pages.py), which costs it what a checkpoint saves. Needs a build with
TICKLEDGER_BENCHMARKS=ON.
"""
import sqlite3
import sys
import time

import wal_pages
from stand import Broker, Daemon, Directory, wait_until
from parts.ingest import Booked, flood

topics, messages, pace = map(int, sys.argv[1:4])
directory = Directory()
broker = Broker(directory)
daemon = Daemon(directory, broker.url)
daemon.start()
booked = Booked(daemon)
# Opening an account is not what is measured.
flood(broker, 1, topics, topics)
wait_until(lambda: booked.count() >= topics, seconds=300, what="the first words")
time.sleep(2.5)
if sys.argv[4:] == ["pages"]:
    # Who reads keeps the write-ahead log from beginning again.
    reader = sqlite3.connect(f"file:{daemon.place}/ledger.db?mode=ro", uri=True)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM meter").fetchone()
processor, written = daemon.kernel.cpu_s(), daemon.kernel.written()
flood(broker, 1, topics, messages, pace)
wait_until(lambda: booked.count() >= topics + messages, seconds=300, what="the booking of all messages")
# What waits for its turn is published, and confirmed.
time.sleep(7)
print(f"{topics} topics, {pace} messages a second: {(daemon.kernel.written() - written) / messages:.0f} bytes and "
      f"{(daemon.kernel.cpu_s() - processor) / messages * 1e6:.0f} us of processor time a message")
if sys.argv[4:] == ["pages"]:
    wal_pages.tell(daemon.place / "ledger.db")
daemon.stop()
broker.stop()
directory.remove()
