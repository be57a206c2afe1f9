"""The option --params, shared by all commands that compute angles or reps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from imu_shoulder.analysis import Params

PARAMS = click.option(
    "--params",
    "params_file",
    type=click.Path(path_type=Path),
    help="TOML file of parameters of the analysis in place of the built-in ones; see docs/parameters.md.",
)


def params_of(file: Path | None) -> Params:
    """The built-in parameters, or those with what the file changes. Raises ParameterError."""
    from imu_shoulder.analysis import Params, load_params

    return Params() if file is None else load_params(file)
