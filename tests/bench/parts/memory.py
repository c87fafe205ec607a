"""Memory by number of meters, and the daemon's work while nothing happens."""
import time

from stand import TOOLS, Broker, Daemon, Directory, run, wait_until
from table import Table
from parts.ingest import Booked


def of_meters(directory, meters, rounds=3):
    """KiB resident, and how much of it is the daemon's own, after the meters have sent a few messages."""
    broker = Broker(directory)
    daemon = Daemon(directory, broker.url, name=f"meters-{meters}")
    daemon.start()
    booked = Booked(daemon)
    for said in range(rounds):
        run([TOOLS / "bench_flood", broker.url, 1, meters, meters, 2000, said])
        wait_until(lambda: booked.count() >= meters * (said + 1), seconds=300, what="the booking")
    time.sleep(3)
    found = daemon.kernel.memory()
    booked.database.close()
    return daemon, broker, found


def idle_share(daemon, seconds):
    before, began = daemon.kernel.cpu_s(), time.monotonic()
    time.sleep(seconds)
    return (daemon.kernel.cpu_s() - before) / (time.monotonic() - began) * 100


def measure(quick):
    table = Table("memory")
    directory = Directory()
    sizes = {}
    for meters in (10, 1_000) if quick else (10, 1_000, 10_000):
        daemon, broker, sizes[meters] = of_meters(directory, meters)
        if meters == 10:
            share = idle_share(daemon, 10 if quick else 60)
        daemon.stop()
        broker.stop()
    directory.remove()
    resident, own = sizes[10]
    table.ratio("10 meters, MiB resident", resident / 1024, "{:.1f}", 16,
                note=f"; {own / 1024:.1f} its own, the rest programs' and libraries' files")
    most = max(sizes)
    more = (sizes[most][0] - resident) / (most - 10)
    table.ratio(f"KiB more for each meter, up to {most:,}".replace(",", " "), more, "{:.2f}", 1.2,
                note=f"; {sizes[most][0] / 1024:.0f} MiB in all")
    table.ratio("idle, % of a core", share, "{:.2f}", 0.1)
    return {"memory": table.markdown()}
