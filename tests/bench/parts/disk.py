"""Bytes of the ledger's file for each reading it keeps, fine detail included."""
import sqlite3

from stand import run
from table import Table, plain
from parts.stores import store, years


def measure(quick):
    table = Table("disk")
    rows = []
    for what, (place, readings) in (("100 meters, ten years at 15 minutes" if not quick else "2 meters, ten years at 15 minutes", years(quick)),
                                    ("one meter, a year at 3 minutes", store(1, 180, 365))):
        file = place / "ledger.db"
        size = file.stat().st_size
        table.ratio(f"{what}: bytes a reading", size / readings, "{:.1f}", 8)
        if quick:
            continue
        database = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
        parts = dict(database.execute("SELECT name, sum(pgsize) FROM dbstat WHERE aggregate = TRUE GROUP BY name")) \
            if has_dbstat(database) else {}
        database.close()
        for name, part in sorted(parts.items(), key=lambda item: -item[1])[:4]:
            rows.append([what, name, f"{part / readings:.1f}", f"{100 * part / size:.0f} %"])
    return {"disk": table.markdown(), "disk-parts": plain(["store", "table", "bytes a reading", "of the file"], rows)}


def has_dbstat(database):
    try:
        database.execute("SELECT 1 FROM dbstat LIMIT 1")
        return True
    except sqlite3.OperationalError:
        return False
