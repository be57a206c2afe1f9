"""angles.parquet on the disk: without loss, small, and a rep found in it without reading all."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest
from report_fixture import MadeSet, finished

from imu_shoulder.report import poses
from imu_shoulder.report.folder import BLOCK_ROWS, write_angles


@pytest.fixture(scope="module")
def table():
    """Ten minutes of noisy angles at 100 Hz, some of them unknown."""
    rng = np.random.default_rng(0)
    time_s = 0.0041 + np.arange(60_000) / 100
    angle_deg = (40 * np.sin(time_s) + rng.normal(0, 0.1, len(time_s))).astype(np.float32)
    angle_deg[1000:2000] = np.nan
    source = pd.Categorical.from_codes(np.where(np.isnan(angle_deg), -1, 0), categories=["forearm"])
    return pd.DataFrame({"time_s": time_s, "right_elbow_deg": angle_deg, "right_rotation_source": source})


@pytest.fixture(scope="module")
def written(table):
    stream = io.BytesIO()
    write_angles(table, "0123456789abcdef", stream)
    return stream.getvalue()


def test_nothing_is_lost_and_the_run_is_in_it(table, written):
    found = pd.read_parquet(io.BytesIO(written))
    assert found.attrs == {"run": "0123456789abcdef"}
    pd.testing.assert_frame_equal(found, table, check_exact=True)
    assert (
        pl.read_parquet(written)["right_elbow_deg"].to_numpy().tobytes() == table.right_elbow_deg.to_numpy().tobytes()
    )


def test_it_is_smaller_than_plain_parquet(table, written):
    assert len(written) < 0.8 * len(table.to_parquet(index=False))


def test_a_rep_is_found_by_the_times_of_the_blocks(table, written):
    """What a reader may leave out is told by each block's least and largest time, and it does."""
    start_s, end_s = 301.0, 305.0
    metadata = pq.read_metadata(io.BytesIO(written))
    times = [metadata.row_group(k).column(0).statistics for k in range(metadata.num_row_groups)]
    assert [own.num_rows for own in map(metadata.row_group, range(metadata.num_row_groups - 1))] == [BLOCK_ROWS] * 3
    holding = [k for k, own in enumerate(times) if own.max >= start_s and own.min <= end_s]
    assert len(holding) == 1
    begin = (
        metadata.row_group(holding[0]).column(0).dictionary_page_offset
        or metadata.row_group(holding[0]).column(0).data_page_offset
    )
    end = metadata.row_group(holding[0] + 1).column(0).data_page_offset
    # Every other block spoiled: who reads them fails or finds nonsense.
    spoiled = bytes(
        byte if begin <= place < end or place >= len(written) - 8192 else 0 for place, byte in enumerate(written)
    )
    within = [("time_s", ">=", start_s), ("time_s", "<=", end_s)]
    found = pd.read_parquet(io.BytesIO(spoiled), filters=within)
    want = table[table.time_s.between(start_s, end_s)].reset_index(drop=True)
    pd.testing.assert_frame_equal(found, want, check_exact=True)


@pytest.mark.parametrize("budget", [100, 400, 2000, 10**6])
def test_a_step_that_is_left_early_is_none_that_would_have_fitted(budget):
    summary, _, angles = finished([MadeSet(1, reps=3), MadeSet(2, reps=3)])
    spans = [(angles, own["side"], own["start_s"], own["end_s"]) for own in summary["sets"]]
    step_s = poses.STEP_S
    while step_s <= 2.0 and sum(len(poses.encode(*span, step_s)) for span in spans) > budget:
        step_s = round(1.5 * step_s, 3)
    assert poses.within(budget, spans) == (step_s, [poses.encode(*span, step_s) for span in spans])
