"""How templates of pages are filled, and where they lie once they are compiled."""

from __future__ import annotations

import contextlib
import sys
from functools import cache
from importlib.util import cache_from_source
from pathlib import Path

import jinja2
from jinja2.bccache import Bucket, FileSystemBytecodeCache

TEMPLATES = jinja2.PackageLoader("imu_shoulder.report", "assets")


@cache
def environment(loader: jinja2.BaseLoader) -> jinja2.Environment:
    """Everything escaped, nothing missing. Each template is compiled once, as a module is."""
    found = jinja2.Environment(
        loader=loader,
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        optimized=False,  # of constants, which a template has few of: that takes longer than it saves on a page
        bytecode_cache=BesideModules(),
    )
    found.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "allow_nan": False}
    return found


class BesideModules(FileSystemBytecodeCache):
    """Compiled templates lie where Python keeps this module compiled, if it does and may write there.

    The library makes them anew where the template or its own version is another.
    """

    def __init__(self) -> None:
        super().__init__(str(Path(cache_from_source(__file__)).parent), "%s.template")

    def load_bytecode(self, bucket: Bucket) -> None:
        with contextlib.suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        if not sys.dont_write_bytecode:
            with contextlib.suppress(OSError):
                super().dump_bytecode(bucket)
