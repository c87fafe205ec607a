"""Questions to a ledger of ten years while messages arrive, and how soon the daemon answers after a start."""
import datetime
import json
import sqlite3
import time
import zlib

from stand import TOOLS, Broker, Daemon, Directory, median, run, start, stop, told, wait_until
from table import Table
from parts.ingest import of_daemon
from parts.stores import KEEPING, METERS, years

# Boards that send meanwhile, at half of the rate that the machine can take, have meters of their own.
SPEAKING = METERS + """
[[meter]]
id = "load-{1}"
topic = "load/+/water"
q3 = "1000000 m3/h"
"""


def microseconds(words):
    lines = words.split()
    return int(lines[0]), sorted(float(line) for line in lines[1:])


def at(share, values):
    return values[min(len(values) - 1, int(share * len(values)))]


def packed_rows(block, day):
    """The rows of a block, as docs/ledger-format.md describes them."""
    part = json.loads(zlib.decompress(block))["rows"]
    columns = [part.get(name, 0) for name in ("start_us", "ticks", "covered_us", "spread_ticks", "revision")]
    start = part["before"] + day * 86_400_000_000
    for values in zip(*(column if isinstance(column, list) else [column] * part["size"] for column in columns)):
        start += part["every"] + values[0]
        yield start, values[1], values[2] + part["every"], *values[3:]


def plain_days(place, file):
    """Writes the days of all meters as plain rows in order of time, as the ledger keeps the rows of this year."""
    database = sqlite3.connect(f"file:{place}/ledger.db?mode=ro", uri=True)
    rows = database.execute("SELECT start_us, meter, ticks, covered_us, spread_ticks, revision FROM usage_row"
                            " WHERE step = 2").fetchall()
    for day, meter, block in database.execute("SELECT day, meter, block FROM packed_quarter"):
        rows += [(start, meter, *rest) for start, *rest in packed_rows(block, day)]
    database.close()
    plain = sqlite3.connect(file)
    plain.executescript("PRAGMA page_size = 1024; PRAGMA journal_mode = WAL; CREATE TABLE day (start_us INTEGER NOT NULL, meter INTEGER NOT NULL,"
                        " ticks INTEGER NOT NULL, covered_us INTEGER NOT NULL, spread_ticks INTEGER NOT NULL,"
                        " revision INTEGER NOT NULL, PRIMARY KEY (start_us, meter)) STRICT, WITHOUT ROWID")
    plain.executemany("INSERT INTO day VALUES (?, ?, ?, ?, ?, ?)", sorted(rows))
    plain.commit()
    return plain


def starts_of_days(plain, first, last):
    """The key of a meter, and where its days begin."""
    key = plain.execute("SELECT min(meter) FROM day").fetchone()[0]
    return key, [row[0] for row in plain.execute("SELECT start_us FROM day WHERE start_us >= ? AND start_us < ?"
                                                 " AND +meter = ? ORDER BY start_us", (first, last, key))]


def is_packed(place):
    """Whether all days of quarters that ended more than a week ago are packed."""
    then = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(days=8)
    quarter = then.replace(month=(then.month - 1) // 3 * 3 + 1, day=1, hour=0, minute=0, second=0, microsecond=0)
    with sqlite3.connect(f"file:{place}/ledger.db?mode=ro", uri=True) as database:
        oldest = database.execute("SELECT min(start_us) FROM usage_row WHERE step = 2").fetchone()[0]
    database.close()
    return oldest >= quarter.timestamp() * 1_000_000


def measure(quick):
    table = Table("queries")
    place, _ = years(quick)
    times = 100 if quick else 1000
    directory = Directory()
    limit_per_s = of_daemon(directory, 1, 10, 10_000 if quick else 50_000)[0]
    broker = Broker(directory)
    daemon = Daemon(directory, broker.url, KEEPING, SPEAKING, place=place)
    daemon.start()  # It handles the deadlines since the store was made, and packs old days.
    wait_until(lambda: is_packed(place), 600, 1, "the packing of the store")
    plain_file = directory.path / "plain.db"
    plain = plain_days(place, plain_file)
    starts = []
    for _ in range(2 if quick else 7):
        daemon.stop()
        starts.append(daemon.start(subscribed=False) * 1000)
    table.ratio("start until ready, ms", median(starts), "{:.0f}", 300, note=f"; {told(starts, '{:.0f}')}")

    last = int(time.time()) // 86_400 * 86_400
    day = lambda back: datetime.datetime.fromtimestamp(last - back * 86_400, datetime.timezone.utc).date()
    flood = start([TOOLS / "bench_flood", broker.url, 1, 10, 100_000_000, limit_per_s / 2, 0, "load"], stdout=-1)
    time.sleep(3)
    before, began = daemon.kernel.cpu_s(), time.monotonic()

    questions = [("a year of days", f"usage?step=day&from={day(366)}&to={day(1)}", 2, 366, 1),
                 ("ten years of days", f"usage?step=day&from={day(3651)}&to={day(1)}", 10, 3651, 1)]
    for what, target, limit, first, end in questions:
        key, values = starts_of_days(plain, (last - first * 86_400) * 1_000_000, (last - end * 86_400) * 1_000_000)
        file = directory.path / "values"
        file.write_text("\n".join(map(str, values)))
        sql = f"SELECT ticks, covered_us, spread_ticks, revision FROM day WHERE start_us = ?1 AND meter = {key}"
        compare(table, what, daemon, plain_file, target, limit, sql, times if limit < 10 else times // 5, file)
    # The rows are grouped, many in one block, so a bare query of some microseconds cannot be compared with it.
    ask(table, "a day's ledger", daemon, f"ledger?from={day(2)}&to={day(1)}", 3, times)
    busy = (daemon.kernel.cpu_s() - before) / (time.monotonic() - began)
    table.add("ingest meanwhile, messages/s; the daemon's share of a core", f"{limit_per_s / 2:,.0f}; {busy:.2f}".replace(",", " "))
    stop(flood)
    daemon.stop()
    broker.stop()
    directory.remove()
    return {"queries": table.markdown()}


def asked(daemon, target, times):
    """Milliseconds of each of `times` answers."""
    return [us / 1000 for us in
            microseconds(run([TOOLS / "bench_ask", "socket", daemon.socket, f"/v1/meters/m-1/{target}", times]))[1]]


def put(table, what, limit, times_ms, note=""):
    table.ratio(f"{what}, ms: 99 of 100 within", at(0.99, sorted(times_ms)), "{:.2f}", limit,
                note=f"; half within {median(times_ms):.2f}{note}")


def ask(table, what, daemon, target, limit, times):
    put(table, what, limit, asked(daemon, target, times))


def compare(table, what, daemon, plain_file, target, limit, sql, times, values):
    """The same question to the daemon and to a file of plain rows, in turns."""
    ours, bare = [], []
    for _ in range(5):
        ours += asked(daemon, target, times // 5)
        bare += [us / 1000 for us in
                 microseconds(run([TOOLS / "bench_ask", "sqlite", plain_file, sql, times // 5, values]))[1]]
    bare.sort()
    put(table, what, limit, ours, f"; the bare query 99 of 100 within {at(0.99, bare):.2f}")
    table.ratio(f"{what}: of the bare query's time", median(ours) / median(bare), "{:.1f}", 2,
                note=f", which is {median(bare):.2f} ms")
