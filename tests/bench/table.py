"""The table: on the terminal row by row, and in docs/performance.md at the end."""
import pathlib
import re

DOCS = pathlib.Path(__file__).resolve().parents[2] / "docs"
PAGE = DOCS / "performance.md"


class Table:
    """Rows with a measured value, its limit and the verdict. A row without a limit is for comparison."""

    def __init__(self, name):
        self.name = name
        self.rows = []

    def add(self, what, measured, limit="", holds=None):
        verdict = {True: "holds", False: "**missed**", None: ""}[holds]
        self.rows.append((what, measured, limit, verdict))
        print(f"  {what:<62} {measured:<38} {limit:<16} {verdict.strip('*')}", flush=True)

    def ratio(self, what, measured, form, limit, most=True, note=""):
        """A value against its limit: at most, or at least."""
        holds = measured <= limit if most else measured >= limit
        side = "at most" if most else "at least"
        self.add(what, form.format(measured) + note, f"{side} {form.format(limit)}", holds)

    def markdown(self):
        lines = ["| | measured | limit | |", "|---|---|---|---|"]
        return lines + ["| " + " | ".join(row) + " |" for row in self.rows]


def plain(header, rows):
    """Lines of a table without limits."""
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    return lines + ["| " + " | ".join(row) + " |" for row in rows]


def put(name, lines):
    """Replaces the text between the marks of this name on the page."""
    text = PAGE.read_text()
    marks = re.compile(rf"(<!-- measured: {name} -->\n).*?(<!-- end -->)", re.S)
    assert marks.search(text), f"docs/performance.md has no place for {name}"
    PAGE.write_text(marks.sub(lambda found: found[1] + "\n".join(lines) + "\n" + found[2], text))
