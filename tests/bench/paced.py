"""What a message costs at a pace that the machine keeps, so that its load changes little:

    /usr/bin/python3 -B tests/bench/paced.py TOPICS MESSAGES MESSAGES_PER_S

Prints the bytes that the daemon wrote a message, and its processor time. Needs a build with TICKLEDGER_BENCHMARKS=ON.
"""
import sys
import time

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
processor, written = daemon.kernel.cpu_s(), daemon.kernel.written()
flood(broker, 1, topics, messages, pace)
wait_until(lambda: booked.count() >= topics + messages, seconds=300, what="the booking of all messages")
# What waits for its turn is published, and confirmed.
time.sleep(7)
print(f"{topics} topics, {pace} messages a second: {(daemon.kernel.written() - written) / messages:.0f} bytes and "
      f"{(daemon.kernel.cpu_s() - processor) / messages * 1e6:.0f} us of processor time a message")
daemon.stop()
broker.stop()
directory.remove()
