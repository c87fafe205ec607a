#!/usr/bin/env python3
"""Replays real registers: every household's account must advance by its last reading minus its first.

    tests/real/registers.py TICKLEDGERD [--excerpt | --all FILE] [--form counter|volume]

README.md beside this file describes the readings, their source and licence, and how local times become
instants. Exit 0: everything is exact. 1: something is not; each fault is printed. 77: the file is missing and
the test is skipped.
"""
import argparse
import csv
import gzip
import http.client
import json
import os
import pathlib
import signal
import socket
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
ZONE = ZoneInfo("Europe/Madrid")
SKIPPED = 77
START_DEADLINE_S = 240

# A message with the whole register is a counter that keeps every tick. Q3 2.5 m3/h is the usual domestic
# meter of 15 mm (ISO 4064-1 lists the values; that it is the usual one is common practice, no source).
COUNTER = 'fields = { count = "/litres" }\npulse_value = "1 L"\ncounter_bits = 0\ncheckpoint_ticks = 1'
VOLUME = ('message = "volume"\nunit = "L"\nfields = { volume = "/litres" }\npulse_value = "1 L"\n'
          'counter_bits = 0')
CONFIGURATION = """
[site]
timezone = "Europe/Madrid"
[broker]
url = "mqtt://127.0.0.1:1"
[store]
directory = "{directory}"
keep_readings = "36500d"
[socket]
path = "{directory}/api.sock"
[[meter]]
id = "household-{{1}}"
topic = "registers/+"
{form}
q3 = "2.5 m3/h"
cadence = "1h"
[meter.alarms]
silent_after = "5h"
"""


class Reading:
    """One row: when it was read, and the litres as written in the file."""

    def __init__(self, at, text):
        self.at = at
        self.text = text


def instant_of(local, previous):
    """Local times have no offset, and one hour of October occurs twice. It is the second one if the first
    would not be later than the previous reading."""
    naive = datetime.strptime(local, "%d/%m/%Y %H:%M:%S")
    first = naive.replace(tzinfo=ZONE, fold=0).astimezone(timezone.utc)
    second = naive.replace(tzinfo=ZONE, fold=1).astimezone(timezone.utc)
    return second if second > first and previous is not None and first <= previous else first


def read_households(file):
    """Readings by household, in the order of the file."""
    opened = gzip.open(file, "rt") if file.suffix == ".gz" else open(file)
    households = {}
    with opened as rows:
        for row in csv.DictReader((line for line in rows if not line.startswith("#")), delimiter=";"):
            readings = households.setdefault(row["household"], [])
            previous = readings[-1].at if readings else None
            readings.append(Reading(instant_of(row["local time"], previous), row["litres"]))
    return households


def write_recording(households, file):
    """One line for each reading. It arrives a second after it was read, but not before the line above it."""
    lines = []
    for household, readings in households.items():
        arrival = datetime.min.replace(tzinfo=timezone.utc)
        for reading in readings:
            arrival = max(arrival, reading.at + timedelta(seconds=1))
            payload = '{"litres":%s,"time":"%s"}' % (reading.text, reading.at.isoformat())
            lines.append((arrival, json.dumps({"tst": arrival.isoformat().replace("+00:00", "Z"), "qos": 1,
                                               "topic": "registers/" + household, "payload": payload})))
    lines.sort(key=lambda line: line[0])
    file.write_text("".join(line + "\n" for _, line in lines))


class LocalConnection(http.client.HTTPConnection):
    def __init__(self, path):
        super().__init__("localhost", timeout=START_DEADLINE_S)
        self.path = path

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.connect(str(self.path))


class Ledger:
    """Runs the daemon on a store and asks it questions. The daemon stops at the end of the `with` block."""

    def __init__(self, program, directory):
        self.program = program
        self.directory = directory

    def __enter__(self):
        self.journal = open(self.directory / "journal", "w+")
        self.process = subprocess.Popen([self.program, "--config", self.directory / "tickledger.toml"],
                                        stderr=self.journal)
        began = time.monotonic()
        while True:
            try:
                self.ask("/v1/meters")
                break
            except (OSError, AssertionError):
                pass
            if self.process.poll() is not None or time.monotonic() - began > START_DEADLINE_S:
                self.journal.seek(0)
                sys.exit("The daemon does not answer:\n" + self.journal.read())
            time.sleep(0.1)
        print(f"the daemon answered after {time.monotonic() - began:.1f} s")
        return self

    def __exit__(self, *_):
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(60)
        self.journal.close()

    def ask(self, target):
        connection = LocalConnection(self.directory / "api.sock")
        connection.request("GET", target)
        answer = connection.getresponse()
        body = answer.read()
        assert answer.status == 200, f"{target}: {answer.status} {body.decode()}"
        connection.close()
        return json.loads(body)

    def account(self, household):
        path = f"/v1/meters/household-{household}"
        everything = "from=2000-01-01&to=2030-01-01"
        ledger = self.ask(f"{path}/ledger?{everything}")
        years = self.ask(f"{path}/usage?step=year&{everything}")["rows"]
        return ledger["entries"], ledger["refused"], sum(row["ticks"] or 0 for row in years)


def check_household(household, readings, ledger):
    """The household's faults as text, and what must be explained: (household, local time, kind, ticks)."""
    entries, refused, year_ticks = ledger.account(household)
    in_time = sorted(readings, key=lambda reading: reading.at)
    expected = int(float(in_time[-1].text)) - int(float(in_time[0].text))
    booked = sum(entry["ticks"] or 0 for entry in entries)
    faults = []
    if booked != expected:
        faults.append(f"household {household}: {booked} L are booked, the register advanced by {expected} L")
    if year_ticks != booked:
        faults.append(f"household {household}: the entries hold {booked} L, the years' rows {year_ticks} L")
    odd = [(household, entry["to"], entry["kind"], entry["ticks"]) for entry in entries
           if entry["kind"] != "measured"]
    for one in refused:
        said = json.loads(one["payload"])
        odd.append((household, said["time"], one["reason"], said["litres"]))
    return faults, [(h, local_of(at), kind, str(number)) for h, at, kind, number in odd]


def changes(household, before, after):
    """The changes by a second replay of the same messages. There should be none."""
    parts = zip(("entries", "refused messages", "ticks of the years"), before, after)
    faults = []
    for name, old, new in parts:
        if old == new:
            continue
        fault = f"household {household}: the recording, replayed again, changes the {name}"
        if isinstance(old, list):
            more = [one for one in new if one not in old]
            less = [one for one in old if one not in new]
            fault += f": {len(more)} more, first {more[:1]}; {len(less)} gone, first {less[:1]}"
        faults.append(fault)
    return faults


def local_of(text):
    return datetime.fromisoformat(text).astimezone(ZONE).isoformat()


def explained():
    """The unusual entries and refused readings for which explained.csv has a reason."""
    with open(HERE / "explained.csv") as rows:
        return {(row["household"], row["local time"], row["what"], row["litres"])
                for row in csv.DictReader(rows, delimiter=";")}


def replay(program, directory, recording):
    done = subprocess.run([program, "replay", "--config", directory / "tickledger.toml", recording],
                          text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
    if done.returncode != 0:
        sys.exit(f"The replay ends with status {done.returncode}:\n{done.stdout}{done.stderr}")
    print(done.stdout, end="")


def check(program, file, form):
    households = read_households(file)
    known = explained()
    faults = []
    with tempfile.TemporaryDirectory(prefix="registers-") as name:
        directory = pathlib.Path(name)
        (directory / "tickledger.toml").write_text(CONFIGURATION.format(directory=directory, form=form))
        recording = directory / "recording.jsonl"
        write_recording(households, recording)
        replay(program, directory, recording)
        with Ledger(program, directory) as ledger:
            before = {household: ledger.account(household) for household in households}
            for household, readings in households.items():
                wrong, odd = check_household(household, readings, ledger)
                faults += wrong
                for one in odd:
                    print("  " + ";".join(one) + ("" if one in known else "   <- not explained"))
                faults += ["not explained in explained.csv: " + ";".join(one) for one in odd
                           if one not in known]
        # Every message has a time, so a second replay of the recording changes nothing.
        replay(program, directory, recording)
        with Ledger(program, directory) as ledger:
            for household in households:
                faults += changes(household, before[household], ledger.account(household))
    readings = sum(len(one) for one in households.values())
    print(f"{len(households)} households, {readings} readings, {len(faults)} faults")
    for fault in faults:
        print("WRONG: " + fault)
    return 1 if faults else 0


def main():
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--all", action="store_true", help="the whole file, not the excerpt")
    parser.add_argument("--file", type=pathlib.Path, help="this file of readings")
    parser.add_argument("--form", choices=["counter", "volume"], default="counter")
    order = parser.parse_args()
    file = order.file or HERE / "excerpt.csv"
    if order.all and not order.file:
        directory = pathlib.Path(os.environ.get("TICKLEDGER_REAL_DATA", ROOT.parent / "shared" / "real"))
        file = directory / "registers.csv.gz"
        if not file.exists():
            print(f"SKIPPED: {file} is missing. TICKLEDGER_REAL_DATA names its directory.")
            return SKIPPED
    return check(order.program, file, COUNTER if order.form == "counter" else VOLUME)


if __name__ == "__main__":
    sys.exit(main())
