"""Mistakes drawn by a fixed seed from the code's own syntax trees: for mutate.py."""

from __future__ import annotations

import ast
import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SEED = 20
PARTS = ("orient", "calibrate", "segment", "measure", "assess", "live", "log", "engine")
COMPARED = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq}
TURNED = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
COMPUTED = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult}


@dataclass(frozen=True, slots=True)
class Mistake:
    """Text of a file and what stands there instead. at: where in the file; None: the text is there once only."""

    id: str
    file: str
    old: str
    new: str
    at: int | None = None


def drawn(root: Path, count: int, seed: int = SEED) -> list[Mistake]:
    """The same mistakes for the same code: as many of each kind, in an order in which any beginning is a fair draw.

    The lot of a place hangs on its own text, so that a change elsewhere in the code draws no other mistakes.
    """
    kinds: dict[str, list[tuple[str, Mistake]]] = defaultdict(list)
    for part in PARTS:
        for path in sorted((root / "imu_shoulder" / part).rglob("*.py")):
            alike: Counter[tuple[str, ...]] = Counter()
            for kind, mistake in _of_file(path, str(path.relative_to(root))):
                text = (kind, mistake.file, mistake.old, mistake.new)
                lot = hashlib.sha256(repr((seed, *text, alike[text])).encode()).hexdigest()
                alike[text] += 1
                kinds[kind].append((lot, mistake))
    chosen: list[tuple[str, Mistake]] = []
    for k, kind in enumerate(sorted(kinds)):
        share = count // len(kinds) + (k < count % len(kinds))
        chosen += sorted(kinds[kind], key=lambda one: one[0])[:share]
    return [mistake for _, mistake in sorted(chosen, key=lambda one: one[0])]


def _of_file(path: Path, name: str) -> Iterator[tuple[str, Mistake]]:
    text = path.read_text(encoding="utf-8")
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    lines = text.splitlines(keepends=True)

    def place(line: int, column: int) -> int:
        """Columns of syntax trees count bytes."""
        return starts[line - 1] + len(lines[line - 1].encode()[:column].decode())

    for kind, node, new in _changes(ast.parse(text)):
        at, end = place(node.lineno, node.col_offset), place(node.end_lineno, node.end_col_offset)
        old = text[at:end]
        new = new if isinstance(node, ast.stmt) else f"({new})"
        yield kind, Mistake(f"{name}:{node.lineno}:{node.col_offset} {kind} {new}", name, old, new, at)


def _changes(tree: ast.AST) -> Iterator[tuple[str, ast.expr | ast.stmt, str]]:
    """Kind, the node that is replaced, and what stands there instead."""
    for node in _judged(tree):
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            for table in (COMPARED, TURNED):
                if (other := table.get(type(node.ops[0]))) is not None:
                    yield "comparison", node, ast.unparse(ast.Compare(node.left, [other()], node.comparators))
        elif isinstance(node, ast.BinOp) and type(node.op) in COMPUTED and not _is_text(node):
            changed = ast.BinOp(node.left, COMPUTED[type(node.op)](), node.right)
            yield "arithmetic", node, ast.unparse(changed)
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield "constant", node, repr(node.value * 2 if node.value and type(node.value) is float else node.value + 1)
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
            yield "dropped call", node, "pass"
        elif isinstance(node, ast.Call) and node.args and not isinstance(node.args[0], ast.Starred):
            yield "dropped call", node, ast.unparse(node.args[0])
        if isinstance(node, ast.If | ast.IfExp | ast.While):
            yield "negated condition", node.test, f"not ({ast.unparse(node.test)})"
        elif isinstance(node, ast.BoolOp):
            other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "negated condition", node, ast.unparse(ast.BoolOp(other, node.values))


def _judged(node: ast.AST) -> Iterator[ast.AST]:
    """The nodes that do something: no annotations, decorators, assertions, messages of errors, formatted texts."""
    if isinstance(node, ast.JoinedStr | ast.Assert | ast.Raise):
        return
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_comment"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _judged(child)


def _is_text(node: ast.BinOp) -> bool:
    return any(
        isinstance(part, ast.JoinedStr) or isinstance(getattr(part, "value", None), str)
        for part in (node.left, node.right)
    )
