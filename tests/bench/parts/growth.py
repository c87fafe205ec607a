"""How each cost grows with meters, with years and with the rate of messages. Three sizes each, plotted side by side."""
import time

from stand import TOOLS, Broker, Daemon, Directory, median, recording, replay, run, wait_until
from table import DOCS, plain
from parts.booking import CADENCE
from parts.ingest import Booked, flood
from parts.memory import of_meters
from parts.queries import microseconds
from parts.stores import KEEPING, METERS, store


def by_meters(quick):
    """Memory, and the processor time of a message in replays of about equally many messages."""
    memory, processor = [], []
    for meters, days in ((10, 100), (1_000, 1), (10_000, 1)) if not quick else ((10, 10), (100, 1), (1_000, 1)):
        directory = Directory()
        daemon, broker, found = of_meters(directory, meters)
        daemon.stop()
        broker.stop()
        memory.append((meters, found[0] / 1024))
        file = recording(meters, 900, days * 86_400)
        taken = median([replay(Daemon(directory, meters=CADENCE).config, directory.path / f"{turn}.db", file)[1]
                        for turn in range(1 if quick else 3)])
        processor.append((meters, taken / (meters * days * 96) * 1e6))
        directory.remove()
    return {"memory, MiB": memory, "processor time of a replayed message, us": processor}


def by_years(quick):
    """Start time, the query for a year's days, and the file size, with two meters."""
    start_ms, query_ms, file_mib = [], [], []
    for years in (1, 3, 10):
        place, _ = store(2, 900, years * 365 + years // 4)
        directory = Directory()
        daemon = Daemon(directory, store=KEEPING, meters=METERS, place=place)
        daemon.start(subscribed=False)
        starts = []
        for _ in range(3 if quick else 7):
            daemon.stop()
            starts.append(daemon.start(subscribed=False) * 1000)
        start_ms.append((years, median(starts)))
        now = time.gmtime(time.time() - 366 * 86_400)
        target = f"/v1/meters/m-1/usage?step=day&from={time.strftime('%F', now)}&to={time.strftime('%F')}"
        query_ms.append((years, median(microseconds(run([TOOLS / "bench_ask", "socket", daemon.socket, target, 100]))[1]) / 1000))
        file_mib.append((years, (place / "ledger.db").stat().st_size / 2**20))
        daemon.stop()
        directory.remove()
    return {"start until ready, ms": start_ms, "a year of days, ms": query_ms, "the file, MiB": file_mib}


def by_rate(quick):
    """Processor time and bytes written for a message, with ten meters."""
    processor, written = [], []
    for rate in (100, 500, 2_500):
        seconds = 5 if quick else 15
        directory = Directory()
        broker = Broker(directory)
        daemon = Daemon(directory, broker.url)
        daemon.start()
        booked = Booked(daemon)
        messages = rate * seconds
        flood(broker, 1, 10, 10)
        wait_until(lambda: booked.count() >= 10)
        cpu, bytes_before = daemon.kernel.cpu_s(), daemon.kernel.written()
        run([TOOLS / "bench_flood", broker.url, 1, 10, messages, rate, 1])
        wait_until(lambda: booked.count() >= messages + 10, what="the booking")
        time.sleep(1.5)
        processor.append((rate, (daemon.kernel.cpu_s() - cpu) / messages * 1e6))
        written.append((rate, (daemon.kernel.written() - bytes_before) / messages))
        booked.database.close()
        daemon.stop()
        broker.stop()
        directory.remove()
    return {"processor time of a message, us": processor, "bytes written a message": written}


def draw(panels):
    """One picture with a panel for each kind of growth. The axes are logarithmic: proportional growth has slope 1."""
    lines = ["set terminal svg size 960,340 font 'sans,11' background 'white'", f"set output '{DOCS / 'performance-growth.svg'}'",
             "set logscale xy", "set key below vertical left Left reverse samplen 1.5", "set grid", "set multiplot layout 1,3"]
    for name, curves in panels.items():
        blocks = []
        for number, (what, points) in enumerate(curves.items()):
            lines.append(f"$curve{number} << END")
            lines += [f"{x} {y}" for x, y in points]
            lines.append("END")
            blocks.append(f"$curve{number} with linespoints pointtype {number + 5} title '{what}'")
        lines += [f"set xlabel '{name}'", "plot " + ", ".join(blocks)]
    run(["gnuplot"], input="\n".join(lines) + "\n")


def measure(quick):
    panels = {"meters": by_meters(quick), "years": by_years(quick), "messages a second": by_rate(quick)}
    rows = []
    for name, curves in panels.items():
        for what, points in curves.items():
            rows.append([what, name, ", ".join(f"{y:.3g} at {x:,}".replace(",", " ") for x, y in points)])
            print("  " + "  ".join(rows[-1]), flush=True)
    if not quick:
        draw(panels)
    return {"growth": plain(["cost", "by", "measured"], rows)}
