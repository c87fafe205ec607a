"""Questions to a ledger of ten years, while messages come in; and how soon it answers after a start."""
import datetime
import sqlite3
import time

from stand import TOOLS, Broker, Daemon, Directory, median, run, start, stop, told
from table import Table
from parts.ingest import of_daemon
from parts.stores import KEEPING, METERS, years

# Boards that speak meanwhile, at half of what the machine takes, feed meters of their own.
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


def starts_of_days(place, meter, first, last):
    """The rows of these days, as the ledger has them."""
    with sqlite3.connect(f"file:{place}/ledger.db?mode=ro", uri=True) as database:
        key = database.execute("SELECT key FROM meter WHERE id = ?", (meter,)).fetchone()[0]
        rows = database.execute("SELECT start_us FROM usage_row WHERE step = 2 AND start_us >= ? AND start_us < ?"
                                " AND +meter = ? ORDER BY start_us", (first, last, key)).fetchall()
    database.close()
    return key, [row[0] for row in rows]


def measure(quick):
    table = Table("queries")
    place, _ = years(quick)
    times = 100 if quick else 1000
    directory = Directory()
    limit_per_s = of_daemon(directory, 1, 10, 10_000 if quick else 50_000)[0]
    broker = Broker(directory)
    daemon = Daemon(directory, broker.url, KEEPING, SPEAKING, place=place)
    daemon.start()  # It meets what was due since the store was made.
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
        key, values = starts_of_days(place, "m-1", (last - first * 86_400) * 1_000_000, (last - end * 86_400) * 1_000_000)
        file = directory.path / "values"
        file.write_text("\n".join(map(str, values)))
        sql = ("SELECT ticks, covered_us, spread_ticks, revision FROM usage_row"
               f" WHERE step = 2 AND start_us = ?1 AND meter = {key}")
        compare(table, what, daemon, place, target, limit, sql, times if limit < 10 else times // 5, file)
    # Its rows lie in groups, one block for many: a bare query of some microseconds is no measure of it.
    ask(table, "a day's ledger", daemon, f"ledger?from={day(2)}&to={day(1)}", 3, times)
    busy = (daemon.kernel.cpu_s() - before) / (time.monotonic() - began)
    table.add("ingest meanwhile, messages/s; the daemon's share of a core", f"{limit_per_s / 2:,.0f}; {busy:.2f}".replace(",", " "))
    stop(flood)
    daemon.stop()
    broker.stop()
    directory.remove()
    return {"queries": table.markdown()}


def asked(daemon, target, times):
    """Milliseconds of each of so many answers."""
    return [us / 1000 for us in
            microseconds(run([TOOLS / "bench_ask", "socket", daemon.socket, f"/v1/meters/m-1/{target}", times]))[1]]


def put(table, what, limit, times_ms):
    table.ratio(f"{what}, ms: 99 of 100 within", at(0.99, sorted(times_ms)), "{:.2f}", limit,
                note=f"; half within {median(times_ms):.2f}")


def ask(table, what, daemon, target, limit, times):
    put(table, what, limit, asked(daemon, target, times))


def compare(table, what, daemon, place, target, limit, sql, times, values):
    """The same question to the daemon and to the file, in turns."""
    ours, bare = [], []
    for _ in range(5):
        ours += asked(daemon, target, times // 5)
        bare += [us / 1000 for us in
                 microseconds(run([TOOLS / "bench_ask", "sqlite", place / "ledger.db", sql, times // 5, values]))[1]]
    put(table, what, limit, ours)
    table.ratio(f"{what}: of the bare query's time", median(ours) / median(bare), "{:.1f}", 2,
                note=f", which is {median(bare):.2f} ms")
