"""Commands that talk to nodes over Bluetooth Low Energy, and the one that saves what a crash left."""

from __future__ import annotations

from pathlib import Path

import click

from imu_shoulder.cli.nodes import athletes_name, placements_by_address
from imu_shoulder.cli.number import Number
from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import HISTORY, add_to_history, how_of


@click.command()
@click.option("--seconds", default=5.0, show_default=True, type=Number(0.5, 120), help="How long to listen.")
def scan(seconds: float) -> None:
    """List the nodes in reach: address, signal, placement, battery."""
    import asyncio

    from imu_shoulder.ble.discover import find_nodes

    found = asyncio.run(find_nodes(seconds))
    for node in found:
        if node.busy:
            say(f"{node.device.address}  in use: this computer is connected to it already")
            continue
        placement = (node.advert.placement if node.advert else None) or "no placement yet"
        battery = f"battery {node.advert.battery_percent} %" if node.advert else "battery ?"
        say(f"{node.device.address}  {node.rssi_dbm} dBm  {placement}  {battery}")
    if not found:
        say("no node answered; wake the nodes, come closer, and see docs/recording.md")


@click.command()
@click.option("--out", "folder", required=True, type=click.Path(path_type=Path), help="New folder for the recording.")
@click.option("--athlete", required=True, callback=athletes_name, help="Initials or code of the athlete.")
@click.option(
    "--node",
    "nodes",
    multiple=True,
    callback=placements_by_address,
    metavar="ADDRESS=PLACEMENT",
    help="Use this node, worn there. Repeat. Without it every node in reach is used where it says it is worn.",
)
@click.option("--rate", "rate_hz", type=click.Choice(["50", "100", "200", "400", "500"]), help="Sample rate in Hz.")
@click.option("--scan-seconds", default=5.0, show_default=True, type=Number(0.5, 120), help="How long to look.")
@click.option("--seconds", type=Number(min=1), help="Stop by itself after this time.")
@HISTORY
def record(
    folder: Path,
    athlete: str,
    nodes: dict[str, str],
    rate_hz: str | None,
    scan_seconds: float,
    seconds: float | None,
    history: str | None,
) -> None:
    """Record nodes into a new recording folder until Ctrl-C."""
    import sys

    from imu_shoulder.ble.recorder import RecordOptions
    from imu_shoulder.ble.recorder import record as run

    rate = int(rate_hz) if rate_hz else None
    assembled = run(RecordOptions(folder, athlete, nodes, rate, scan_seconds, seconds), sys.stdout)
    for line in [*(node.line for node in assembled.nodes), *assembled.remarks]:
        say(line)
    say(f"recording written to {folder}")
    if history is not None:
        add_to_history(history, folder, how_of(None, (), lambda stage: None))


@click.command()
@click.argument("log", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--out", "folder", type=click.Path(path_type=Path), help="New folder; default: the log's name without .log."
)
def recover(log: Path, folder: Path | None) -> None:
    """Turn the LOG of a recording that was not stopped in order into a recording folder."""
    from imu_shoulder.ble.recover import recover as run

    target = folder or log.with_suffix("").with_name(log.stem + ("" if log.suffix == ".log" else "_recovered"))
    assembled = run(log, target, keep_log=True)
    for line in [*(node.line for node in assembled.nodes), *assembled.remarks]:
        say(line)
    say(f"recording written to {target}; the log is kept")
