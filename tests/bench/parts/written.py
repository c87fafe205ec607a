"""Bytes written to the disk for a message: they wear out a memory card. The kernel's figure for the process
(write_bytes of /proc/PID/io), for its log and its ledger together. The file system's own journal is not included."""
import json
import time

from stand import HERE, Broker, Daemon, Directory, Least, Process, median, run, start, stop, told, wait_until
from table import Table, plain
from parts.ingest import Booked, flood, of_daemon, of_least

PERIODS = ["0", "1s", "1min"]
SPEAKING_S = 60


def say(broker, number, topic="nodes/0/water"):
    """Sends a message of a counter board that has no clock."""
    run(["mosquitto_pub", "-p", broker.port, "-q", 1, "-t", topic, "-m",
         json.dumps({"count": number, "boot": 7, "seq": number})])


def under_load(table, quick):
    rounds = 1 if quick else 3
    for topics, limit in ((10, 150), (1_000, None), (10_000, None)):
        if quick and topics > 1_000:
            continue
        messages = 20_000 if quick else max(100_000, 10 * topics)
        found, least = [], []
        for _ in range(rounds):
            directory = Directory()
            found.append(of_daemon(directory, 1, topics, messages)[2])
            least.append(of_least(directory, 1, topics, messages)[2])
            directory.remove()
        put(table, f"under load, {topics:,} meters: bytes a message".replace(",", " "), found, least, limit)


def put(table, what, found, least, limit, more=""):
    note = f"; {told(found, '{:.0f}')}; the least {median(least):.0f}{more}"
    if limit:
        table.ratio(what, median(found), "{:.0f}", limit, note=note)
    else:
        table.add(what, note[2:])


def paced_costs(keeper, broker, topics, messages, pace, before_flood=lambda: None):
    """Bytes written and processor seconds for a message at this pace, with meters that are already known."""
    keeper.start()
    booked = Booked(keeper)
    # Opening the accounts is not measured.
    flood(broker, 1, topics, topics)
    wait_until(lambda: booked.count() >= topics, seconds=300, what="the first words")
    time.sleep(2.5)
    before_flood()
    processor, written = keeper.kernel.cpu_s(), keeper.kernel.written()
    flood(broker, 1, topics, messages, pace)
    wait_until(lambda: booked.count() >= topics + messages, seconds=300, what="the booking of all messages")
    # Waiting publications are sent and acknowledged.
    time.sleep(7)
    booked.database.close()
    return (keeper.kernel.written() - written) / messages, (keeper.kernel.cpu_s() - processor) / messages


def at_a_pace(table, quick):
    """3 000 messages a second, which a busy machine sustains too, so that its load matters little."""
    makers = {"daemon": Daemon, "least": Least, "five": lambda *where: Least(*where, name="five", sums=5)}
    for topics, limit in ((10, 150), (1_000, 250)):
        found = {name: [] for name in makers}
        for _ in range(1 if quick else 3):
            directory = Directory()
            for name, make in makers.items():
                broker = Broker(directory)
                keeper = make(directory, broker.url)
                found[name].append(paced_costs(keeper, broker, topics, 10_000 if quick else 30_000, 3_000)[0])
                keeper.stop()
                broker.stop()
            directory.remove()
        put(table, f"{topics:,} meters, 3 000 messages a second: bytes a message".replace(",", " "), found["daemon"],
            found["least"], limit, f" ({median(found['five']):.0f} with five sums)")


def alone(table, quick):
    """Each message has a commit of its own, and all dirty pages are written before the next one, as if it came minutes
    later."""
    messages = 5 if quick else 30
    directory = Directory()
    broker = Broker(directory)
    keepers = {"daemon": Daemon(directory, broker.url, meters=METER_OF_HOUSE),
               "daemon, index in memory": Daemon(directory, broker.url, 'ledger_index = "memory"', METER_OF_HOUSE, "memory"),
               "least": Least(directory, broker.url),
               "least, index in memory": Least(directory, broker.url, "least-memory", memory=True)}
    for keeper in keepers.values():
        keeper.start()
    script = start(["/usr/bin/python3", HERE / "script.py", broker.port, 1, 1_000_000, directory.path / "script.db"],
                   stdout=-1, text=True)
    assert script.stdout.readline() == "ready\n"
    kernel = {name: keeper.kernel for name, keeper in keepers.items()} | {"script": Process(script.pid)}
    written = {name: [] for name in kernel}
    for number in range(1, messages + 6):
        before = {name: process.written() for name, process in kernel.items()}
        say(broker, number)
        # A message is booked after a second, then published and acknowledged. The acknowledgement is committed with the
        # next message.
        time.sleep(2.5)
        directory.sync()
        if number > 5:
            for name, process in kernel.items():
                written[name].append((process.written() - before[name]) / 1024)
    for keeper in keepers.values():
        keeper.stop()
    stop(script)
    broker.stop()
    directory.remove()
    mean = {name: sum(values) / len(values) for name, values in written.items()}
    for name in keepers:
        what = f"a message alone, {name}: of what a commit of the script writes"
        share = mean[name] / mean["script"]
        kib = f"; KiB: {told(written[name], '{:.0f}')} beside {told(written['script'], '{:.0f}')}"
        if name == "daemon":
            table.ratio(what, share, "{:.2f}", 1 / 3, note=kib)
        else:
            table.add(what, f"{share:.2f}{kib}")


METER_OF_HOUSE = """
[[meter]]
id = "m-{1}"
topic = "nodes/+/water"
"""


def settings(quick):
    """One counter that sends once a second to nine daemons side by side."""
    if quick:
        return []
    directory = Directory()
    broker = Broker(directory)
    daemons = {}
    for sync in PERIODS:
        for commit in PERIODS:
            store = f'sync_every = "{sync}"\ncommit_every = "{commit}"'
            daemon = Daemon(directory, broker.url, store, METER_OF_HOUSE, name=f"{sync}-{commit}")
            daemon.start()
            daemons[sync, commit] = daemon
    say(broker, 1)
    time.sleep(5)
    before = {which: daemon.kernel.written() for which, daemon in daemons.items()}
    for number in range(2, SPEAKING_S + 2):
        say(broker, number)
        time.sleep(1)
    # Work that is due every minute happens within one.
    time.sleep(61)
    rows = []
    for sync in PERIODS:
        kib = [(daemons[sync, commit].kernel.written() - before[sync, commit]) / 1024 for commit in PERIODS]
        rows.append([f'`"{sync}"`'] + [f"{value:.0f}" for value in kib])
    for daemon in daemons.values():
        daemon.stop()
    broker.stop()
    directory.remove()
    return plain(["`sync_every`"] + [f'`commit_every = "{commit}"`' for commit in PERIODS], rows)


def measure(quick):
    table = Table("written")
    alone(table, quick)
    under_load(table, quick)
    at_a_pace(table, quick)
    return {"written": table.markdown(), "settings": settings(quick)}
