"""Ingest: the daemon compared with a subscriber that does nothing, the least that keeps an account, and the script."""
import os
import sqlite3
import time

from stand import (HERE, TOOLS, Broker, Daemon, Directory, Least, Process, children_cpu_s, median, run, start, stop,
                   told, wait_until)
from table import Table


def flood(broker, qos, topics, messages, pace=0):
    """Sends the messages and returns when it began."""
    words = run([TOOLS / "bench_flood", broker.url, qos, topics, messages, pace]).split()
    return float(words[0])


def subscriber(arguments, broker, qos, topics, messages):
    """For a program that prints when it is ready and when it has received everything: messages a second, processor
    seconds a message, and those of the sender and the broker."""
    process = start(arguments, stdout=-1, text=True)
    assert process.stdout.readline() == "ready\n"
    broker_process = Process(broker.process.pid)
    others = -broker_process.cpu_s() - children_cpu_s()
    began = flood(broker, qos, topics, messages)
    ended, processor = map(float, process.stdout.readline().split())
    others += broker_process.cpu_s() + children_cpu_s()
    stop(process)
    return messages / (ended - began), processor / messages, others / messages


def of_nothing(directory, qos, topics, messages):
    broker = Broker(directory)
    found = subscriber([TOOLS / "bench_listener", broker.url, qos, messages], broker, qos, topics, messages)
    broker.stop()
    return found


def of_script(directory, qos, topics, messages, *kind):
    broker = Broker(directory)
    file = directory.path / f"script-{broker.port}.db"
    found = subscriber(["/usr/bin/python3", HERE / "script.py", broker.port, qos, messages, file, *kind], broker, qos, topics,
                       messages)
    broker.stop()
    return found


class Booked:
    """How many messages the daemon or bench_least has booked."""

    def __init__(self, keeper):
        self.database = sqlite3.connect(f"file:{keeper.ledger}?mode=ro", uri=True)
        self.count = lambda: keeper.booked(self.database)


def of_daemon(directory, qos, topics, messages):
    """Messages accepted a second, processor seconds and bytes written a message, seconds until the last was booked."""
    broker = Broker(directory)
    return of_keeper(Daemon(directory, broker.url, name=f"daemon-{broker.port}"), broker, qos, topics, messages)


def of_least(directory, qos, topics, messages, sums=1):
    """The same for the least that keeps an account."""
    broker = Broker(directory)
    return of_keeper(Least(directory, broker.url, f"least-{broker.port}", qos, sums), broker, qos, topics, messages)


def of_keeper(keeper, broker, qos, topics, messages):
    keeper.start()
    booked = Booked(keeper)
    # Opening the accounts is not measured.
    flood(broker, qos, topics, topics)
    wait_until(lambda: booked.count() >= topics, seconds=300, what="the first words")
    time.sleep(2)
    before, written_before = keeper.kernel.cpu_s(), keeper.kernel.written()
    flooding = start([TOOLS / "bench_flood", broker.url, qos, topics, messages, 0, 1], stdout=-1, text=True)
    sizes = []

    def all_booked():
        sizes.append((time.monotonic(), keeper.log_bytes()))
        return booked.count() >= messages + topics

    wait_until(all_booked, every=0.02, seconds=300, what="the booking of all messages")
    ended = time.monotonic()
    began = float(flooding.stdout.readline().split()[0])
    # Acknowledgements of publications are part of the work.
    time.sleep(1)
    processor = (keeper.kernel.cpu_s() - before) / messages
    written = (keeper.kernel.written() - written_before) / messages
    accepted_at = next(at for at, size in sizes if size == sizes[-1][1])
    booked.database.close()
    keeper.stop()
    broker.stop()
    return messages / (accepted_at - began), processor, written, ended - accepted_at


def measure(quick):
    table = Table("ingest")
    rounds = 1 if quick else 3
    cases = [(1, 1), (1, 1_000)] if quick else [(qos, topics) for qos in (1, 0) for topics in (1, 1_000, 10_000)]
    for qos, topics in cases:
        messages = max(20_000, 2 * topics) if quick else max(100_000, 20 * topics)
        nothing, least, five, ours, script, careful = [], [], [], [], [], []
        for _ in range(rounds):
            directory = Directory()
            nothing.append(of_nothing(directory, qos, topics, messages))
            least.append(of_least(directory, qos, topics, messages))
            # With sums of five steps, as the daemon keeps them. Nearly every message is of another meter here.
            if topics == 10_000:
                five.append(of_least(directory, qos, topics, messages, sums=5))
            ours.append(of_daemon(directory, qos, topics, messages))
            script.append(of_script(directory, qos, topics, 500 if quick else 2_000))
            careful.append(of_script(directory, qos, topics, messages, "careful"))
            directory.remove()
        judge(table, f"QoS {qos}, {topics} topics", nothing, least, five, ours, script, careful)
    return {"ingest": table.markdown()}


def judge(table, what, nothing, least, five, ours, script, careful):
    def of(column, others, whose=ours):
        return median([one[column] / other[column] for one, other in zip(whose, others)])

    def spread(column, form, factor=1):
        return told([one[column] * factor for one in ours], form)

    def beside(column):
        with_five = f" ({of(column, nothing, five):.2f} with five sums)" if five else ""
        return f"; the least's {of(column, nothing, least):.2f}{with_five}"

    table.ratio(f"{what}: rate, of the do-nothing subscriber's", of(0, nothing), "{:.2f}", 0.9, most=False,
                note=f"; {spread(0, '{:.0f}')} a second{beside(0)}")
    table.ratio(f"{what}: processor time a message, of it", of(1, nothing), "{:.2f}", 2,
                note=f"; {spread(1, '{:.0f}', 1e6)} us{beside(1)}")
    # Sender, broker and daemon together cannot use more than all processors.
    left = median([len(os.sched_getaffinity(0)) / (0.9 * rate) - others for rate, _, others in nothing])
    table.add(f"{what}: processor time left for a message at 0.9 of its rate",
              f"{left * 1e6:.0f} us; it takes {told([one[1] * 1e6 for one in nothing], '{:.0f}')}")
    table.ratio(f"{what}: rate, of the script's", of(0, script), "{:.0f}", 10, most=False)
    table.ratio(f"{what}: rate, of the script's that commits each second", of(0, careful), "{:.2f}", 1, most=False)
    table.add(f"{what}: bytes written a message",
              f"{spread(2, '{:.0f}')}; the least {median([one[2] for one in least]):.0f}"
              + (f" ({median([one[2] for one in five]):.0f} with five sums)" if five else ""))
    table.add(f"{what}: of the least: rate; processor time a message",
              f"{of(0, least):.2f}; {of(1, least):.2f}" + (f" (with five sums {of(0, five):.2f}; {of(1, five):.2f})" if five else ""))
    table.add(f"{what}: booked after the last was accepted, s", spread(3, "{:.1f}"))
