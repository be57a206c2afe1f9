"""imu-shoulder simulate"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imu_shoulder.cli.number import Number
from imu_shoulder.cli.say import say
from imu_shoulder.drills import shipped_ids

if TYPE_CHECKING:
    from imu_shoulder.model import Recording

# Finer than the steps of the simulated sensors (0.0048 m/s^2, 0.0011 rad/s), so that rounding loses nothing they show.
_ACC_DECIMALS, _GYR_DECIMALS = 3, 4


@click.command()
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the recording.")
@click.option(
    "--scenario",
    default="clean_warm_up",
    show_default=True,
    help="clean_warm_up, faulty_warm_up, damaged_warm_up, planned_warm_up, range_tests, daily, or the id of a drill.",
)
@click.option("--side", help="Side of the set, when the scenario is a drill; right if not given.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0), help="Same seed, same recording.")
@click.option("--rate", "rate_hz", type=Number(20, 1000), help="Sampling rate in Hz; 100 if not given.")
@click.option(
    "--truth",
    type=click.Choice(["all", "reps", "none"]),
    default="all",
    show_default=True,
    help="Write true_reps.csv and true_angles.parquet, the reps only, or neither.",
)
def simulate(out: Path, scenario: str, side: str | None, seed: int, rate_hz: float | None, truth: str) -> None:
    """Write a recording of a simulated athlete wearing simulated sensors."""
    if side is not None and scenario not in shipped_ids():
        raise click.BadOptionUsage("side", f"--side goes with a drill; the scenario is {scenario!r}")

    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.simulate import simulate as run
    from imu_shoulder.simulate.scenarios import find
    from imu_shoulder.simulate.truth import write_truth
    from imu_shoulder.sources.folder import write_recording

    found = find(scenario, side or "right")
    if rate_hz is not None:
        found = replace(found, rate_hz=rate_hz)
    with stage_progress() as progress:
        progress("simulating")
        simulated = run(found, seed)
        progress("writing")
        write_recording(_rounded(simulated.recording), out)
        if truth != "none":
            write_truth(simulated.truth, out, with_angles=truth == "all")
    say(f"Recording: {out}")


def _rounded(recording: Recording) -> Recording:
    """Numbers as short as the simulated sensors are fine, for small files."""
    # Adding 0 turns -0.0 into 0.0.
    streams = {
        placement: replace(
            stream,
            acc_m_s2=stream.acc_m_s2.round(_ACC_DECIMALS) + 0.0,
            gyr_rad_s=stream.gyr_rad_s.round(_GYR_DECIMALS) + 0.0,
        )
        for placement, stream in recording.streams.items()
    }
    return replace(recording, streams=streams)
