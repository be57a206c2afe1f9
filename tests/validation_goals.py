"""Goals that printed figures are held against, for docs/validation.md. Each says in words what missed it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass


def table_rows(output: str) -> Iterator[dict[str, str]]:
    """Rows of all Markdown tables in an output, each by its column names."""
    head: list[str] = []
    for line in output.splitlines():
        if not line.startswith("|"):
            head = []
        elif not re.fullmatch(r"[|:\- ]+", line):
            cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
            if head:
                yield dict(zip(head, cells, strict=False))
            head = head or cells


def number(text: str) -> float:
    """The first number of a text; a fraction as its value."""
    found = re.search(r"(-?\d+(?:\.\d+)?)(?:/(\d+))?", text)
    return float("nan") if found is None else float(found[1]) / float(found[2] or 1)


@dataclass(frozen=True, slots=True)
class Goal:
    """One figure of every row that matches: the first number in `column`, or what `find` captures there.

    In an output without Markdown tables `column` is empty and `find` is searched in every line.
    """

    column: str
    at_least: float = float("-inf")
    at_most: float = float("inf")
    rows: str = ""
    find: str = "(.*)"

    def missed(self, output: str) -> list[str]:
        found = self._figures(output)
        if not found:
            return [f"{self.column or self.find}: no such figure in the output"]
        wrong = ((name, value) for name, value in found if not self.at_least <= number(value) <= self.at_most)
        bounds = ((self.at_least, "at least"), (self.at_most, "at most"))
        asked = " and ".join(f"{words} {bound:g}" for bound, words in bounds if abs(bound) < float("inf"))
        return [f"{name}: {value.strip()}, asked {asked}" for name, value in wrong]

    def _figures(self, output: str) -> list[tuple[str, str]]:
        if not self.column:
            lines = [line for line in output.splitlines() if re.search(self.rows, line)]
            hits = [(re.split(r"  +", line.strip())[0], re.search(self.find, line)) for line in lines]
        else:
            rows = [row for row in table_rows(output) if self.column in row]
            rows = [row for row in rows if re.search(self.rows, " ".join(row.values()))]
            hits = [
                (", ".join((*self._names(row), self.column)), re.search(self.find, row[self.column])) for row in rows
            ]
        return [(name, hit[1]) for name, hit in hits if hit is not None]

    def _names(self, row: dict[str, str]) -> list[str]:
        """What tells the row: its cells before the first that is a figure."""
        cells = list(row.values())
        return cells[: next((k for k, cell in enumerate(cells) if k and re.match(r"-?\d|nan", cell)), 1)]


@dataclass(frozen=True, slots=True)
class Share:
    """One count of every row that matches as a share of another one."""

    column: str
    of: str
    at_least: float = 0.0
    at_most: float = 1.0
    rows: str = ""

    def missed(self, output: str) -> list[str]:
        rows = [row for row in table_rows(output) if self.column in row]
        rows = [row for row in rows if re.search(self.rows, " ".join(row.values()))]
        if not rows:
            return [f"{self.column}: no such figure in the output"]
        asked = f"at least {self.at_least:g}" if self.at_least else f"at most {self.at_most:g}"
        shares = {next(iter(row.values())): (row[self.column], row[self.of]) for row in rows}
        return [
            f"{name}, {self.column}: {part} of {whole} {self.of}, asked {asked} of them"
            for name, (part, whole) in shares.items()
            if not self.at_least * number(whole) <= number(part) <= self.at_most * number(whole)
        ]


@dataclass(frozen=True, slots=True)
class TimesBetter:
    """How many times smaller a figure is our way than the plain way, per drill."""

    column: str
    at_least: float

    def missed(self, output: str) -> list[str]:
        by_way = {(row["drill"], row["way"]): number(row[self.column]) for row in table_rows(output) if "way" in row}
        ratios = {drill: by_way[drill, "plain"] / by_way[drill, "ours"] for drill, way in by_way if way == "ours"}
        return [
            f"{drill}, {self.column}: {ratio:.1f} times better than the plain way, asked at least {self.at_least:g}"
            for drill, ratio in ratios.items()
            if not ratio >= self.at_least
        ]


@dataclass(frozen=True, slots=True)
class Loses:
    """How much larger one figure of a row is than another."""

    column: str
    against: str
    at_most: float

    def missed(self, output: str) -> list[str]:
        rows = [row for row in table_rows(output) if self.column in row]
        lost = {", ".join(list(row.values())[:2]): number(row[self.column]) - number(row[self.against]) for row in rows}
        return [
            f"{name}: {self.column} {value:.2f} more than {self.against}, asked at most {self.at_most:g} more"
            for name, value in lost.items()
            if not value <= self.at_most
        ]


@dataclass(frozen=True, slots=True)
class Same:
    """Two figures of a line, captured by `find`, that must be equal."""

    find: str

    def missed(self, output: str) -> list[str]:
        found = [(line.strip(), hit) for line in output.splitlines() if (hit := re.search(self.find, line))]
        if not found:
            return [f"{self.find}: no such line in the output"]
        return [f"{line}: {hit[1]} is not {hit[2]}" for line, hit in found if hit[1] != hit[2]]
