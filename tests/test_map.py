"""`imu-shoulder map`: drafts of the layouts that were written down before it, and what it asks."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from foreign_layouts import LAYOUTS, UNTIL_S, Layout, truth

from imu_shoulder.cli import cli
from imu_shoulder.model import SensorStream
from imu_shoulder.sources.column_map import read_mapped

# What takes long to make is made once, in one process.
pytestmark = pytest.mark.xdist_group("drafts of maps")

# Stamps may be cut to hundredths, and packets be stamped as they arrive.
STAMPED_WITHIN_S = 0.012


def run(words: list[str], text: str | None = None) -> Result:
    found = CliRunner().invoke(cli, words, input=text)
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found


def mapped(folder: Path, paths: list[Path], *options: str) -> Result:
    return run(["map", *map(str, paths), "--out", str(folder / "map.toml"), *options])


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, list[Path], Result]]:
    """Of each layout: its folder, its files, and what the command said with the options that it needs."""
    out = {}
    for layout in LAYOUTS:
        folder = tmp_path_factory.mktemp(layout.name)
        paths = layout.write(folder)
        out[layout.name] = folder, paths, mapped(folder, paths, *layout.options, "--yes")
    return out


def sensors(folder: Path) -> dict[str, dict[str, Any]]:
    """The sensors of a draft, each with the keys of [table] that it takes over."""
    document = tomllib.loads((folder / "map.toml").read_text())
    return {one["placement"]: {**document["table"], **one} for one in document["sensor"]}


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_the_draft_is_as_it_was_written_down(layout: Layout, written: Any) -> None:
    folder, _, said = written[layout.name]
    assert said.exit_code == 0, said.output
    found = sensors(folder)
    assert set(found) == set(layout.expected)
    for placement, wanted in layout.expected.items():
        for key, value in {**layout.table, **wanted}.items():
            came = found[placement].get(key, "," if key == "delimiter" else None)
            assert came == (pytest.approx(value, rel=0.005) if isinstance(value, float) else value), (placement, key)


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_what_the_draft_reads_is_what_was_measured(layout: Layout, written: Any) -> None:
    recording = read_mapped(written[layout.name][0] / "map.toml")
    # Time begins with the first row of which both instruments are known: one shift, the same for all sensors.
    begins_s = first_row_s(recording.streams[next(iter(layout.expected))])
    for placement in layout.expected:
        true, came = truth().streams[placement], recording.streams[placement]
        time_s = came.time_s + begins_s
        assert np.ptp(came.time_s) > UNTIL_S - 6
        assert came.declared_rate_hz == pytest.approx(50, rel=0.01)
        for values, wanted, step in zip(
            (came.acc_m_s2, came.gyr_rad_s), (true.acc_m_s2, true.gyr_rad_s), layout.step, strict=True
        ):
            at = np.column_stack([np.interp(time_s, true.time_s, column) for column in wanted.T])
            # What moves fast between two stamps may be off by as much as it moves in that time.
            moves = np.abs(np.gradient(at, axis=0)).max() * 50 * STAMPED_WITHIN_S
            off = np.abs(values - at)
            assert np.quantile(off, 0.9) < step + 0.1 * moves, placement
            assert off.max() < step + 3 * moves, placement


def first_row_s(came: SensorStream) -> float:
    """When a sensor's first row was measured, by what it measured; at most two rows after the first of all."""
    true = truth().streams[came.placement]

    def off(begins_s: float) -> float:
        at = [np.interp(came.time_s + begins_s, true.time_s, column) for column in true.acc_m_s2.T]
        return float(np.abs(came.acc_m_s2 - np.column_stack(at)).mean())

    return float(min(np.arange(-0.02, 0.06, 0.001), key=off))


@pytest.mark.parametrize("layout", [one for one in LAYOUTS if one.options], ids=lambda layout: layout.name)
def test_what_cannot_be_seen_is_asked_in_one_sentence(layout: Layout, written: Any, tmp_path: Path) -> None:
    _, paths, _ = written[layout.name]
    said = run(["map", *map(str, paths), "--out", str(tmp_path / "map.toml"), "--yes"])
    assert said.exit_code == 2
    assert said.output.startswith("Error: expected to know ")
    assert said.output.count("\n") == 1
    assert all(word in said.output for word in layout.asks or (layout.options[0],)), said.output
    assert list(tmp_path.iterdir()) == []
