"""Bytes of the ledger's file for each reading that it keeps, including the fine detail."""
from stand import run
from table import Table, plain
from parts.stores import store, years


def measure(quick):
    table = Table("disk")
    rows = []
    for what, (place, readings) in ((f"{2 if quick else 100} meters, ten years at 15 minutes", years(quick)),
                                    ("one meter, a year at 3 minutes", store(1, 180, 365))):
        file = place / "ledger.db"
        size = file.stat().st_size
        table.ratio(f"{what}: bytes a reading", size / readings, "{:.1f}", 8)
        if quick:
            continue
        # Python's SQLite library may lack the table dbstat; the command sqlite3 has it.
        told = run(["sqlite3", "-readonly", "-separator", " ", file,
                    "SELECT name, pgsize FROM dbstat WHERE aggregate = TRUE"])
        parts = {name: int(part) for name, part in map(str.split, told.splitlines())}
        for name, part in sorted(parts.items(), key=lambda item: -item[1])[:4]:
            rows.append([what, name, f"{part / readings:.1f}", f"{100 * part / size:.0f} %"])
    return {"disk": table.markdown(), "disk-parts": plain(["store", "table", "bytes a reading", "of the file"], rows)}

