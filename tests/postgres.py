"""A PostgreSQL server for tests: from the system's own package, in a folder of its own, reached by a socket in it."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

# Where Debian puts the server's programs: a folder for each version.
DEBIAN = Path("/usr/lib/postgresql")


def program(name: str) -> str | None:
    found = sorted(DEBIAN.glob(f"*/bin/{name}"), reverse=True)
    return shutil.which(name) or (str(found[0]) if found else None)


def _run(*command: str) -> None:
    """As the user that the package made, where this one is root: the server refuses to run as root."""
    as_other = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    subprocess.run([*as_other, *command], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd="/")


@contextlib.contextmanager
def server() -> Iterator[str]:
    """The URL of an empty database on a server that lives as long as the block. Skips the test where there is none."""
    initdb, pg_ctl = program("initdb"), program("pg_ctl")
    if initdb is None or pg_ctl is None:
        pytest.skip("no initdb and pg_ctl: install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    if os.geteuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
    try:
        data = str(folder / "data")
        _run(initdb, "-D", data, "-U", "clinic", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C")
        options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
        _run(pg_ctl, "-D", data, "-w", "-l", str(folder / "log"), "-o", options, "start")
        try:
            yield f"postgresql://clinic@/postgres?host={folder}"
        finally:
            _run(pg_ctl, "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
