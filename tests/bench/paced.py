"""The cost of a message at a pace that the machine can sustain, so that its load matters little:

    /usr/bin/python3 -B tests/bench/paced.py TOPICS MESSAGES MESSAGES_PER_S [pages]

Prints the bytes that the daemon wrote for a message, and its processor time. With `pages` it also prints which tables
the committed pages belong to (tests/bench/wal_pages.py). This needs an open reader, which blocks checkpoints and so
changes the costs. Needs a build with TICKLEDGER_BENCHMARKS=ON.
"""
import sqlite3
import sys

import wal_pages
from stand import Broker, Daemon, Directory
from parts.written import paced_costs

topics, messages, pace = map(int, sys.argv[1:4])
tells_pages = sys.argv[4:] == ["pages"]
directory = Directory()
broker = Broker(directory)
daemon = Daemon(directory, broker.url)


def keep_the_log():
    """An open reader keeps SQLite from reusing the write-ahead log from its start."""
    reader = sqlite3.connect(f"file:{daemon.ledger}?mode=ro", uri=True)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM meter").fetchone()
    return reader


readers = []
written, processor_s = paced_costs(daemon, broker, topics, messages, pace,
                                   lambda: readers.append(keep_the_log()) if tells_pages else None)
print(f"{topics} topics, {pace} messages a second: {written:.0f} bytes and "
      f"{processor_s * 1e6:.0f} us of processor time a message")
if tells_pages:
    wal_pages.tell(daemon.ledger)
daemon.stop()
broker.stop()
directory.remove()
