"""The test bench: a fresh broker, the daemon, and the kernel's figures for a process."""
import atexit
import ctypes
import json
import os
import pathlib
import random
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
BUILD = pathlib.Path(os.environ.get("TICKLEDGER_BUILD_DIR", ROOT / "build/release")).resolve()
DAEMON = BUILD / "daemon/service/tickledgerd"
TOOLS = BUILD / "tests/bench"
KEPT = BUILD / "bench"  # Recordings and stores that take a long time to make.
HERE = pathlib.Path(__file__).resolve().parent

TICKS_PER_S = os.sysconf("SC_CLK_TCK")
children = []


def start(arguments, **options):
    """Starts a program that is stopped when this one ends."""
    process = subprocess.Popen([str(argument) for argument in arguments], **options)
    children.append(process)
    return process


def stop(process, number=signal.SIGTERM):
    if process.poll() is None:
        process.send_signal(number)
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@atexit.register
def stop_all():
    for process in children:
        stop(process)


# Stopping the bench also stops the programs that it has started.
signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))


def run(arguments, **options):
    """Runs a program to its end and returns its output."""
    return subprocess.run([str(argument) for argument in arguments], check=True, text=True, stdout=subprocess.PIPE,
                          **options).stdout


def wait_until(holds, seconds=120, every=0.05, what="what was waited for"):
    deadline = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > deadline:
            raise TimeoutError(f"{what} did not come within {seconds} s")
        time.sleep(every)


class Directory:
    """A directory on a real disk (a tmpfs writes nothing), removed at the end."""

    def __init__(self):
        base = BUILD if BUILD.exists() else "/var/tmp"
        self.path = pathlib.Path(tempfile.mkdtemp(prefix="bench-", dir=base))
        atexit.register(shutil.rmtree, self.path, True)

    def remove(self):
        shutil.rmtree(self.path, True)

    def sync(self):
        """Writes now what the kernel would write within half a minute by itself."""
        handle = os.open(self.path, os.O_RDONLY)
        ctypes.CDLL(None).syncfs(handle)
        os.close(handle)


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Broker:
    """A new broker for each measurement, so that nothing from an old session is counted."""

    def __init__(self, directory):
        self.port = free_port()
        file = directory.path / f"broker-{self.port}.conf"
        file.write_text(f"user root\nlistener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
                        "log_type error\n")
        self.process = start(["mosquitto", "-c", file], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_until(self.accepts, what="the broker")

    def accepts(self):
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.1", self.port)) == 0

    @property
    def url(self):
        return f"mqtt://127.0.0.1:{self.port}"

    def stop(self):
        stop(self.process)


class Process:
    """The kernel's accounting of a process."""

    def __init__(self, pid):
        self.place = pathlib.Path("/proc") / str(pid)

    def cpu_s(self):
        fields = (self.place / "stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICKS_PER_S

    def written(self):
        for line in (self.place / "io").read_text().splitlines():
            if line.startswith("write_bytes:"):
                return int(line.split()[1])
        raise ValueError("no write_bytes")

    def memory(self):
        """KiB resident: in all, and without the pages of library and program files."""
        fields = dict(line.split(":", 1) for line in (self.place / "status").read_text().splitlines())
        kib = {name: int(fields[name].split()[0]) for name in ("VmRSS", "RssAnon")}
        return kib["VmRSS"], kib["RssAnon"]


METER = """
[[meter]]
id = "m-{1}"
topic = "nodes/+/water"
q3 = "1000000 m3/h"
"""
QUIET = """
[meter.alarms]
off = ["high-flow", "long-draw", "slow-leak"]
"""


class Daemon:
    def __init__(self, directory, broker_url="mqtt://127.0.0.1:1", store="", meters=METER + QUIET, name="daemon",
                 place=None, max_meters=10_000):
        self.directory = directory.path / name
        self.directory.mkdir(exist_ok=True)
        self.place = pathlib.Path(place or self.directory / "store")
        self.socket = self.directory / "api.sock"
        self.config = self.directory / "tickledger.toml"
        self.config.write_text(f"""
[site]
timezone = "Europe/Lisbon"
max_meters = {max_meters}
[broker]
url = "{broker_url}"
client_id = "{name}"
topic_root = "out/{name}"
[store]
directory = "{self.place}"
{store}
[socket]
path = "{self.socket}"
{meters}""")
        self.process = None

    def start(self, subscribed=True):
        """Returns the seconds until it was ready."""
        notices = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        name = f"\0tickledger-bench-{os.getpid()}-{random.getrandbits(32)}"
        notices.bind(name)
        notices.settimeout(300)
        began = time.monotonic()
        self.process = start([DAEMON, "--config", self.config],
                             env={**os.environ, "NOTIFY_SOCKET": "@" + name[1:]},
                             stderr=open(self.directory / "journal", "a"))
        while b"READY=1" not in notices.recv(4096):
            pass
        taken = time.monotonic() - began
        notices.close()
        if subscribed:
            wait_until(lambda: self.health()["broker"]["subscribed"], what="the daemon's subscription")
        return taken

    def get(self, target):
        with socket.socket(socket.AF_UNIX) as one:
            one.connect(str(self.socket))
            one.sendall(f"GET {target} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
            answer = b"".join(iter(lambda: one.recv(65536), b""))
        return answer.split(b"\r\n\r\n", 1)[1]

    def health(self):
        body = self.get("/v1/health")
        return json.loads(body[body.index(b"{"):body.rindex(b"}") + 1])

    def metrics(self):
        body = self.get("/metrics").decode()
        lines = (line.rsplit(" ", 1) for line in body.splitlines() if line.startswith("tickledger_messages"))
        return {name.split("{")[0]: float(value) for name, value in lines}

    @property
    def kernel(self):
        return Process(self.process.pid)

    @property
    def ledger(self):
        return self.place / "ledger.db"

    @staticmethod
    def booked(database):
        """How many messages are booked, read from the file: asking the daemon would cost it time."""
        row = database.execute("SELECT value FROM fact WHERE name = 'messages'").fetchone()
        return json.loads(row[0])["booked"] if row else 0

    def log_bytes(self):
        return sum(file.stat().st_size for file in (self.place / "messages").glob("*.jsonl"))

    def stop(self):
        stop(self.process)


class Least:
    """The least that keeps an account (least.cpp), measured in the same way as the daemon."""

    def __init__(self, directory, broker_url, name="least", qos=1, sums=1, memory=False):
        self.place = directory.path / name
        self.place.mkdir()
        self.ledger = self.place / "ledger.db"
        self.arguments = [TOOLS / "bench_least", "listen", sums, broker_url, qos, self.place] + ["memory"] * memory
        self.process = None

    def start(self):
        self.process = start(self.arguments, stdout=-1, text=True)
        assert self.process.stdout.readline() == "ready\n"

    @property
    def kernel(self):
        return Process(self.process.pid)

    @staticmethod
    def booked(database):
        return database.execute("SELECT messages FROM booked").fetchone()[0]

    def log_bytes(self):
        return (self.place / "log.jsonl").stat().st_size

    def stop(self):
        stop(self.process)


def children_cpu_s():
    """The processor seconds of programs that were started and have ended."""
    times = os.times()
    return times.children_user + times.children_system


def taken(arguments, **options):
    """Runs a program to its end. Returns the seconds that it took, and its seconds of processor time."""
    before = children_cpu_s()
    began = time.monotonic()
    run(arguments, **options)
    return time.monotonic() - began, children_cpu_s() - before


def replay(config, into, recording, **options):
    """Books a recording and returns the time that it took."""
    return taken([DAEMON, "replay", "--config", config, "--into", into, recording], **options)


def recording(meters, cadence_s, seconds):
    """A recording of these meters; it is made once."""
    KEPT.mkdir(exist_ok=True)
    file = KEPT / f"{meters}-meters-{cadence_s}-s-for-{seconds}-s.jsonl"
    if not file.exists():
        part = file.with_suffix(".part")
        with open(part, "w") as out:
            subprocess.run([TOOLS / "bench_recording", str(meters), str(cadence_s), str(seconds), "1767225600"],
                           check=True, stdout=out)
        part.rename(file)
    return file


def median(values):
    return statistics.median(values)


def told(values, form="{:.3g}"):
    """The median, with the lowest and the highest value."""
    values = sorted(values)
    if len(values) == 1:
        return form.format(values[0])
    return f"{form.format(median(values))} ({form.format(values[0])} to {form.format(values[-1])})"
