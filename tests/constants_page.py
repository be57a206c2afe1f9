"""docs/constants.md: what each constant is, where it comes from, and what it moved. Filled by write_constants.py."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from imu_shoulder.analysis import BY_OPTION, Params

# The end of a name -> its unit. The first that fits.
UNITS = (
    *(("_rad_s_sqrt_s", "rad/s/√s"), ("_m_s2", "m/s²"), ("_deg_s", "deg/s"), ("_rad_s", "rad/s"), ("_deg", "deg")),
    *(("_rad", "rad"), ("_hz", "Hz"), ("_sds", "standard deviations"), ("_s", "s")),
    *(("share", "share"), ("share_sd", "share"), ("tolerance", "share")),
)
# Smaller differences are none: deg, deg, s, share.
LEAST = {"rotation_deg": 0.01, "elevation_deg": 0.01, "hold_s": 0.005, "sd_share": 0.001}
COUNTS = ("reps", "off", "verdicts", "findings", "frames", "refused")
WAYS = {"half": "halved", "double": "doubled"}

HEAD = """# The constants

The numbers of the analysis that can be set: what each is, where it comes from, and what it moves. A file for
`--params` ([parameters.md](parameters.md)) sets any of them, under the names of the tables here. What cannot be set
stands in the code, with its reason beside it; a drill's own limits are in its file ([drills.md](drills.md)).

**Source** says who chose the number: a publication, a data sheet from memory, or us ("ours"). Ours were set on
simulated people, on [open recordings](validation.md) or by judgement; none was fitted to the tables below.

**What it moves** was tried on {sessions} simulated recordings of {minutes:.0f} minutes by both simulators, of
persons that no other table uses ({names}). Each constant was halved and doubled by itself. With the built-in ones
{reps} reps are counted of {true} ({off} too many or too few over all sets and arms), rotation is off by
{rotation_deg:.1f} deg, elevation by {elevation_deg:.1f} deg (mean over the sets of an arm of the RMSE against the
truth, of 30 deg at most), holds by {hold_s:.2f} s. The figures are differences from that:

- reps: counted; behind it how many more (+) or fewer (−) are wrong,
- verdicts: reps that are new, gone, or judged otherwise, and their reasons not to be scored,
- rotation, elevation: of that RMSE in deg, holds: of their mean error in s. More than 0 is worse,
- findings: slips, sensors out of place, gaps and others that are new or gone,
- SD: of the mean stated standard deviation over all angles,
- page: share of what the live page says ten times a second in a set. For `stream`, `align.latency_s` and
  `slip.sure_evidence` alone, which only a stream reads: they were tried on the last of the sessions, played as live
  ({live_frames} such moments), and their other figures are of it, too.

An empty field is no change. What moved nothing there was tried on other sessions, too, in which things are only
just a fault, a slip or a swap ({closes}): figures behind "close calls" are differences in those. These are people
of a simulator: what moves nothing here may matter to somebody, and a difference of one or two reps is chance. What
is small and ours can be wrong by half without harm; what is large and ours is where measuring would pay.

Run on commit {commit}. Written by `python tests/write_constants.py`; {tried} of {all} constants were tried.
"""


def classes(kind: type = Params, before: str = "") -> dict[str, type]:
    """Table of a file -> the class that holds it, in the order of the stages; the top without a name is left out."""
    out: dict[str, type] = {} if not before else {before: kind}
    for field in fields(kind):
        made = field.default_factory
        if isinstance(made, type) and is_dataclass(made):
            out |= classes(made, f"{before}.{field.name}" if before else field.name)
    return out


def unit_of(name: str) -> str:
    """From the end of the name; empty for a plain number."""
    return next((unit for end, unit in UNITS if name.endswith(end)), "")


def explained(kind: type) -> str:
    """What the docstring of a class says of its fields, without the paragraph of sources."""
    return " ".join((kind.__doc__ or "").partition("Sources.")[0].split())


def sources(kind: type) -> dict[str, str]:
    """Field -> who chose its number, from the paragraph "Sources." of the class: names: source; names: source."""
    said = " ".join((kind.__doc__ or "").partition("Sources.")[2].split()).removesuffix(".")
    out: dict[str, str] = {}
    for entry in filter(None, said.split("; ")):
        names, _, source = entry.partition(": ")
        out |= dict.fromkeys(names.split(", "), source)
    return out


def page(constants: Mapping[str, Any], lines: Sequence[Mapping[str, Any]], about: Mapping[str, Any]) -> str:
    """constants: value by dotted name. lines: what each moved, as write_constants.py keeps it; about: of the run."""
    found = {(line["name"], line["way"]): line for line in lines if _same(line["value"], constants.get(line["name"]))}
    tried = [name for name in constants if all((name, way) in found for way in WAYS)]
    still = [name for name in tried if all(is_still(found[name, way]) for way in WAYS)]
    whole, close = dict(about["whole"]), about["close"]
    names = "; ".join(whole.pop("names"))
    text = HEAD.format(
        **{**whole, "names": names, "live_frames": whole["frames"], "closes": "; ".join(close["names"])},
        commit=about["commit"],
        tried=len(tried),
        all=len(constants),
    )
    parts = [text, *_still(still), *_not_tried(constants, found)]
    for table, kind in classes().items():
        own = {name: value for name, value in constants.items() if name.rpartition(".")[0] == table}
        if own:
            parts += [f"## {table}\n", _names_marked(explained(kind), kind) + "\n", *_table(own, kind, found, about)]
    options = ", ".join(f"`{name}` ({option})" for name, option in BY_OPTION.items())
    parts.append(f"Set by options of `analyse` and not by a file: {options}.\n")
    return "\n".join(parts)


def _same(tried: Any, now: Any) -> bool:
    return (tuple(tried) if isinstance(tried, list) else tried) == now


def is_still(line: Mapping[str, Any]) -> bool:
    """Whether nothing moved, or nothing could be tried."""
    if "impossible" in line or line["failed"]:
        return "impossible" in line
    return not any(line[key] for key in COUNTS) and not any(_seen(line, key) for key in LEAST)


def _seen(line: Mapping[str, Any], key: str) -> bool:
    return math.isnan(line[key]) or abs(line[key]) >= LEAST[key]


STILL = """## Moves nothing here

Neither half nor double changed anything in these sessions. Each is a candidate to go, or guards against something that
no session has:
"""


def _still(names: Sequence[str]) -> list[str]:
    return [STILL, *([f"- `{name}`" for name in names] or ["None."]), ""]


def _not_tried(constants: Mapping[str, Any], found: Mapping[tuple[str, str], Any]) -> list[str]:
    left = [name for name in constants if not any((name, way) in found for way in WAYS)]
    listed = ", ".join(f"`{name}`" for name in left)
    return [f"Not tried, as there is no number to move or it is newer than the run: {listed}.\n"] if left else []


def _names_marked(text: str, kind: type) -> str:
    for field in fields(kind):
        text = re.sub(rf"(?<![\w`]){field.name}(?![\w`])", f"`{field.name}`", text)
    return text


def _table(
    own: Mapping[str, Any], kind: type, found: Mapping[tuple[str, str], Mapping[str, Any]], about: Mapping[str, Any]
) -> list[str]:
    head = ("constant", "value", "unit", "source", "", "reps", "verdicts", "rotation", "elevation", "holds", "findings")
    rows: list[Sequence[str]] = [(*head, "SD", "page"), ["---"] * (len(head) + 2)]
    said = sources(kind)
    for name, value in own.items():
        key = name.rpartition(".")[2]
        first = [f"`{key}`", number(name, value), unit_of(key), said.get(key, "")]
        for way, word in WAYS.items():
            line = found.get((name, way))
            if line is None:
                rows.append([*first, word, "not tried", *[""] * 7])
            else:
                near = bool(line.get("close")) and not is_still(line)
                rows.append([*first, word + NEAR * near, *_cells(line, about["close" if near else "whole"])])
            first = [""] * 4
    return ["| " + " | ".join(row) + " |" for row in rows] + [""]


def number(name: str, value: Any) -> str:
    """The value, of radians in degrees as well."""
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return ", ".join(number(name, one) for one in value)
    degrees = f" ({math.degrees(value):.4g} deg{'/s' if '_rad_s' in name else ''})" if "_rad" in name else ""
    return f"{value:.4g}{degrees}"


def _cells(line: Mapping[str, Any], whole: Mapping[str, Any]) -> list[str]:
    if "impossible" in line:
        return [f"impossible: {line['impossible']}", *[""] * 7]
    if line["failed"]:
        return [f"fails: {'; '.join(line['failed'])}", *[""] * 7]
    reps = _signed(line["reps"], "d") + (f" (wrong {_signed(line['off'], 'd') or '0'})" if line["off"] else "")
    if line["refused"]:
        reps += f", {line['refused']} sessions refused"
    changes = [_signed(line[key], f".{digits}f") if _seen(line, key) else "" for key, digits in DIGITS.items()]
    sd = f"{_signed(100 * line['sd_share'], '.1f')} %" if _seen(line, "sd_share") else ""
    moments = f"{50 * line['frames'] / whole['frames']:.1f} %" if line["frames"] else ""
    return [reps.strip(" ,"), str(line["verdicts"] or ""), *changes, str(line["findings"] or ""), sd, moments]


NEAR = ", close calls"
DIGITS = {"rotation_deg": 2, "elevation_deg": 2, "hold_s": 3}


def _signed(value: float, form: str) -> str:
    """With its sign, a true minus; empty for 0."""
    return "" if value == 0 else f"{value:+{form}}".replace("-", "−")
