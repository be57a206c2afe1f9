"""imu-shoulder simulate"""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the recording.")
@click.option("--scenario", default="clean_warm_up", show_default=True, help="A named warm-up, or a drill's id.")
@click.option("--side", default="right", show_default=True, help="Side of the set, when the scenario is a drill.")
@click.option("--seed", default=1, show_default=True, help="Same scenario and seed, same recording.")
@click.option("--rate", "rate_hz", type=float, help="Sampling rate in Hz, when the scenario is a drill.")
@click.option("--truth/--no-truth", default=True, show_default=True, help="Write the true angles and reps too.")
def simulate(out: Path, scenario: str, side: str, seed: int, rate_hz: float | None, truth: bool) -> None:
    """Write a recording of a simulated athlete wearing simulated sensors."""
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.simulate import simulate as run
    from imu_shoulder.simulate.scenarios import find
    from imu_shoulder.simulate.truth import write_truth
    from imu_shoulder.sources.folder import write_recording

    progress = stage_progress()
    progress("simulating")
    simulated = run(find(scenario, side, rate_hz), seed)
    progress("writing")
    write_recording(simulated.recording, out)
    if truth:
        write_truth(simulated.truth, out)
    progress("")
    click.echo(f"Recording: {out}")
