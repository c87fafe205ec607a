"""Bytes written to the disk a message: what wears a memory card out. What the kernel charges the process with (write_bytes
of /proc/PID/io), its log and its ledger together; the file system's own journal is not in it."""
import json
import time

from stand import HERE, Broker, Daemon, Directory, Process, median, run, start, stop, told
from table import Table, plain
from parts.ingest import of_daemon

PERIODS = ["0", "1s", "1min"]
SPEAKING_S = 60


def say(broker, number, topic="nodes/0/water"):
    """A word of a counter board that knows no time."""
    run(["mosquitto_pub", "-p", broker.port, "-q", 1, "-t", topic, "-m",
         json.dumps({"count": number, "boot": 7, "seq": number})])


def under_load(table, quick):
    rounds = 1 if quick else 3
    for topics, limit in ((10, 150), (1_000, None), (10_000, None)):
        if quick and topics > 1_000:
            continue
        found = []
        for _ in range(rounds):
            directory = Directory()
            found.append(of_daemon(directory, 1, topics, 20_000 if quick else max(100_000, 10 * topics))[2])
            directory.remove()
        what = f"under load, {topics:,} meters: bytes a message".replace(",", " ")
        if limit:
            table.ratio(what, median(found), "{:.0f}", limit, note=f"; {told(found, '{:.0f}')}")
        else:
            table.add(what, told(found, "{:.0f}"))


def alone(table, quick):
    """Each message alone in its commit, and everything that is dirty written before the next: as if the next one came
    minutes later."""
    messages = 5 if quick else 30
    directory = Directory()
    broker = Broker(directory)
    daemon = Daemon(directory, broker.url, meters=METER_OF_HOUSE)
    daemon.start()
    script = start(["/usr/bin/python3", HERE / "script.py", broker.port, 1, 1_000_000, directory.path / "script.db"],
                   stdout=-1, text=True)
    assert script.stdout.readline() == "ready\n"
    kernel = {"daemon": daemon.kernel, "script": Process(script.pid)}
    written = {name: [] for name in kernel}
    for number in range(1, messages + 6):
        before = {name: process.written() for name, process in kernel.items()}
        say(broker, number)
        # Booked after a second, published, confirmed, and the confirmation with the next one.
        time.sleep(2.5)
        directory.sync()
        if number > 5:
            for name, process in kernel.items():
                written[name].append(process.written() - before[name])
    daemon.stop()
    stop(script)
    broker.stop()
    directory.remove()
    mean = {name: sum(values) / len(values) for name, values in written.items()}
    kib = {name: told([value / 1024 for value in values], "{:.0f}") for name, values in written.items()}
    table.ratio("a message alone: of what a commit of the script writes", mean["daemon"] / mean["script"], "{:.2f}", 1 / 3,
                note=f"; KiB: {kib['daemon']} beside {kib['script']}")


METER_OF_HOUSE = """
[[meter]]
id = "m-{1}"
topic = "nodes/+/water"
"""


def settings(quick):
    """One counter that speaks once a second, to nine daemons side by side."""
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
    # What is due each minute comes within one.
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
    return {"written": table.markdown(), "settings": settings(quick)}
