"""Counts the pages of each table in a ledger's write-ahead log, to show what commits write and how often.

    /usr/bin/python3 -B tests/bench/wal_pages.py LEDGER

Prints the number of commits in the log, and for each table its pages a commit. Needs the command `sqlite3`, whose
library has the table dbstat, which maps pages to tables.
"""
import collections
import pathlib
import shutil
import subprocess
import sys
import tempfile


def frames(wal):
    """The pages of the log's newest pass, in order, each with whether it ends a commit."""
    page_size, salts = int.from_bytes(wal[8:12], "big"), wal[16:24]
    for at in range(32, len(wal) - 24 - page_size + 1, 24 + page_size):
        if wal[at + 8:at + 16] != salts:
            return
        yield int.from_bytes(wal[at:at + 4], "big"), wal[at + 4:at + 8] != bytes(4)


def owners(ledger):
    """For each page the table or index that it belongs to."""
    with tempfile.TemporaryDirectory() as directory:
        for end in ("", "-wal"):
            shutil.copy(f"{ledger}{end}", f"{directory}/copy.db{end}")
        told = subprocess.run(["sqlite3", "-separator", " ", f"{directory}/copy.db", "SELECT pageno, name FROM dbstat"],
                              check=True, text=True, stdout=subprocess.PIPE).stdout
    return {int(page): name for page, name in map(str.split, told.splitlines())}


def pages_of_commits(ledger):
    """The number of commits in the log, and for each table how many pages they wrote."""
    owner = owners(ledger)
    commits, pages = 0, collections.Counter()
    for page, ends in frames(pathlib.Path(f"{ledger}-wal").read_bytes()):
        pages[owner.get(page, "(free)")] += 1
        commits += ends
    return commits, pages


def tell(ledger):
    commits, pages = pages_of_commits(ledger)
    print(f"{commits} commits, {sum(pages.values()) / max(commits, 1):.1f} pages each")
    for name, count in pages.most_common():
        print(f"{count / commits:8.1f} {name}")


if __name__ == "__main__":
    tell(sys.argv[1])
