"""A methods paragraph and tables for a paper, from summary.json. Citation keys are those of docs/references.bib."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from imu_shoulder.errors import OutputError
from imu_shoulder.identity import nameless_hashes
from imu_shoulder.parameters import told
from imu_shoulder.report.words import HOW_CHECKED

FILTERS = {
    "vqf": "an offline versatile quaternion filter without magnetometer [@laidig2023] (accelerometer time constant "
    "{tau_acc_s:g} s)",
    "madgwick": "the gradient-descent filter of package ahrs with its default gain [@madgwick2011]",
    "mahony": "the complementary filter of package ahrs with its default gains [@mahony2008]",
    "ekf": "the extended Kalman filter of package ahrs with its defaults",
}
STEPS = {
    "neutral_pose": "a neutral standing pose",
    "elbow_bends": "elbow bends",
    "forward_raises": "forward raises of the straight arm",
    "bends_at_shoulder_height": "elbow bends with the arm at shoulder height",
}


def methods_text(summary: Mapping[str, Any]) -> str:
    """Markdown: methods, results per set, all parameters, versions, inputs. Raises OutputError for another schema."""
    if summary.get("schema") != 1:
        raise OutputError("a summary of schema 1", f"it has schema {summary.get('schema')!r}", "analyse again")
    inputs = nameless_hashes(summary["recording"]["sha256"])
    return "\n".join(
        [
            "# Methods",
            "",
            _methods(summary),
            "",
            HOW_CHECKED,
            "",
            "# Results",
            "",
            *_sets(summary["sets"]),
            "",
            "# Parameters",
            "",
            *_rows(("parameter", "value"), _flat(summary["parameters"])),
            "",
            "# Versions and inputs",
            "",
            *_rows(("what", "value"), [*_flat(summary["versions"]), *_flat(inputs)]),
            "",
        ]
    )


def _methods(summary: Mapping[str, Any]) -> str:
    parameters, versions = summary["parameters"], summary["versions"]
    orient, align, angles = parameters["orient"], parameters["align"], parameters["angles"]
    worn = [
        f"{place.replace('_', ' ')} ({quality['measured_rate_hz']:.1f} Hz)"
        for place, quality in summary["data_quality"].items()
        if quality["used"]
    ]
    seen: set[str] = {step for arm in summary["calibration"].values() for step in arm["used"]}
    used = [step for step in STEPS if step in seen] + sorted(seen - set(STEPS))
    reference = {"gravity": "gravity", "trunk": "the trunk sensor"}
    against = " or ".join(reference.get(name, name) for name in summary["elevation_reference"].split("/"))
    filters = FILTERS[orient["method"]].format(tau_acc_s=orient["tau_acc_s"])
    software = f"Python {versions['python']}, NumPy {versions['numpy']}, SciPy {versions['scipy']}"
    return " ".join(
        [
            f"Inertial sensors were worn on {_and(worn)}.",
            f"Recordings were processed with imu-shoulder {versions['imu_shoulder']} ({software}).",
            "Sensor clocks were repaired and brought to one grid;",
            f"gaps over {1000 * align['bridge_s']:.0f} ms stayed gaps.",
            f"Attitude was found by {filters}, after removal of the gyroscope offset seen in moments of stillness",
            f"of {orient['stillness']['window_s']:g} s or more.",
            f"Sensors were aligned to segments from {_and([STEPS.get(step, step) for step in used])}.",
            "Joint angles follow the axes of the International Society of Biomechanics [@wu2005], but pronation is",
            "counted from the thumb pointing forward and not from full supination;",
            f"elevation is the angle of the upper arm from hanging, about {against}.",
            *_not_told(summary),
            _rotation(angles, used),
            f"Plane of elevation is given between {angles['plane_from_deg']:g} and {angles['plane_to_deg']:g} deg of",
            "elevation.",
            *filter(None, [told(summary.get("parameters_changed") or {})]),
            "Smoothness is the spectral arc length [@balasubramanian2015] of each phase by itself.",
            "A rep was judged by the median over its hold. Values that were not seen were left out, not filled in.",
            "The system is a training aid, not a medical device.",
        ]
    )


def _rotation(angles: Mapping[str, Any], used: Collection[str]) -> str:
    """What humeral rotation was taken from. Results of earlier versions know no anchors."""
    anchored = "anchored_full_deg" in angles and {"elbow_bends", "forward_raises"} <= set(used)
    kind = "anchored" if anchored else "forearm"
    below = (
        "from the turning of both sensors since the elbow bends, weighed by their variances,"
        if anchored
        else "from the upper-arm sensor"
    )
    return (
        "Humeral rotation was taken from the forearm's direction where the elbow was bent by "
        f"{angles[f'{kind}_full_deg']:g} deg or more, and {below} below {angles[f'{kind}_from_deg']:g} deg."
    )


def _not_told(summary: Mapping[str, Any]) -> list[str]:
    bare = sorted({str(entry["set"]) for entry in summary["sets"] if entry.get("elevation_reference") == ""})
    if not bare:
        return []
    return [f"No elevation about the trunk was available in {'set' if len(bare) == 1 else 'sets'} {_and(bare)}."]


def _sets(sets: Sequence[Mapping[str, Any]]) -> list[str]:
    head = ("set", "drill", "side", "reps asked", "done", "scored", "clean", "hold SD [deg]", "hold drift [deg/s]")
    rows = []
    for entry in sets:
        steadiness = entry.get("steadiness") or {}
        rows.append(
            (
                entry["set"],
                entry["drill"],
                entry["side"],
                (entry.get("asked") or {}).get("reps", ""),
                entry["done"]["reps"],
                entry["done"]["scored"],
                entry["done"]["clean"],
                *(_median(steadiness.get(name)) for name in ("hold_sd_deg", "hold_drift_deg_s")),
            )
        )
    return _rows(head, rows)


def _median(found: Mapping[str, Any] | None) -> str:
    value = (found or {}).get("median")
    return "" if value is None else f"{value:.2f}"


def _rows(head: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    lines = [head, ["---"] * len(head), *rows]
    return ["| " + " | ".join("" if cell is None else str(cell) for cell in line) + " |" for line in lines]


def _flat(values: Mapping[str, Any], before: str = "") -> list[tuple[str, object]]:
    rows: list[tuple[str, object]] = []
    for key, value in values.items():
        name = f"{before}.{key}" if before else str(key)
        rows += _flat(value, name) if isinstance(value, Mapping) else [(name, value)]
    return rows


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
