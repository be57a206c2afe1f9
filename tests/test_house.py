"""The rules of the house: small files, a tidy top level, imports one way, no skipped test in CI."""

from __future__ import annotations

import ast
import json
import re
import shutil
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from mutate import written

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "imu_shoulder"
FILES = sorted(PACKAGE.rglob("*.py"))

TOP_LEVEL = {
    *(".ci", ".gitignore", "DEVELOPERS.md", "README.md", "pyproject.toml"),
    *("docs", "firmware_notes", "imu_shoulder", "recordings", "tests"),
}
BASE = (
    *(
        "errors",
        "texts",
        "limits",
        "files",
        "checked",
        "parameters",
        "one_run",
        "units",
        "model",
        "findings",
        "spill",
        "arrays",
        "filters",
        "identity",
        "frames",
        "cautions",
    ),
    *("drills", "rows"),
)
# In order: each may import itself, what stands before it, and the base.
STAGES = ("sources", "align", "orient", "calibrate", "angles", "segment", "measure", "assess", "analysis", "report")
# In order, as the stages.
RECORDERS = ("log", "ble")
APPLICATIONS = ("cli", "face", "live", "mark", "review", "__main__")
PARTS = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in FILES} - {"__init__"}
# What a part of the package may import of it. Other parts use the flow without being part of it, as `pipeline` does
# not import them; applications may use all.
ALLOWED = {
    **{name: PARTS - set(APPLICATIONS) for name in PARTS},
    **{name: set(BASE[: place + 1]) for place, name in enumerate(BASE)},
    **{name: {*BASE, *STAGES[: place + 1]} for place, name in enumerate(STAGES)},
    "simulate": {*BASE, "simulate"},
    "serve": {*BASE, "serve"},
    **{name: {*BASE, "sources", *RECORDERS[: place + 1]} for place, name in enumerate(RECORDERS)},
    "engine": {*BASE, *STAGES, "engine"},
    "propose": {*BASE, *STAGES, "engine", "plan", "propose"},
    "pipeline": {*BASE, *STAGES, "engine", "propose"},
    **dict.fromkeys(APPLICATIONS, PARTS),
}
SERVERS = ("aiohttp", "fastapi", "flask", "starlette", "tornado", "uvicorn", "websockets")
# Library -> the parts that may know it.
ONLY_IN = {
    "click": ("cli",),
    "bleak": ("ble",),
    "sqlalchemy": ("history",),
    **dict.fromkeys(SERVERS, ("serve", "live", "mark", "review")),
}


def part_of(path: Path) -> str:
    inner = path.relative_to(PACKAGE).parts
    return inner[0].removesuffix(".py")


def imports(path: Path) -> set[str]:
    """Full names of all that a file imports, also inside functions and for types only."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides where it leads"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def test_files_are_short():
    long = {str(path.relative_to(ROOT)): count for path in FILES if (count := len(path.read_text().splitlines())) > 400}
    assert long == {}


def test_the_top_level_holds_only_what_belongs_there():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert {line.split("/")[0] for line in listed.splitlines()} <= TOP_LEVEL


def test_no_file_is_left_behind_by_its_successor():
    odd = [
        path.name for path in ROOT.rglob("*.py") if ".venv" not in path.parts and path.stem.endswith(("_old", "_new"))
    ]
    assert odd == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path):
    part = part_of(path)
    if part == "__init__":
        # Of the face alone, and only for type checkers or when a name is used: tests/test_face.py.
        assert [name for name in imports(path) if not name.startswith("imu_shoulder.face")] == []
        return
    used = {name.split(".")[1] for name in imports(path) if name.startswith("imu_shoulder.")} - {"__version__"}
    assert used <= ALLOWED[part]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_only_commands_know_the_command_line_and_only_recorders_know_the_radio(path):
    roots = {name.split(".")[0] for name in imports(path)}
    assert [name for name in roots & ONLY_IN.keys() if part_of(path) not in ONLY_IN[name]] == []


def circles(files: dict[str, Path]) -> list[list[str]]:
    """Modules that import each other, over however many others; of modules by full name."""
    leads = {name: {known_module(used, files) for used in imports(path)} - {name, None} for name, path in files.items()}
    reached = {name: set(to) for name, to in leads.items()}
    while any(_grown(to, leads) for to in reached.values()):
        pass
    found = {frozenset({name, *(to for to in own if name in reached[to])}) for name, own in reached.items()}
    return sorted(sorted(circle) for circle in found if len(circle) > 1)


def _grown(reached: set[str], leads: dict[str, set[str]]) -> bool:
    before = len(reached)
    reached.update(*(leads[name] for name in reached))
    return len(reached) > before


def known_module(name: str, files: dict[str, Path]) -> str | None:
    """The module that an imported name is, or is in; None for one of another package."""
    return name if name in files else next((m for m in [name.rpartition(".")[0]] if m in files), None)


def test_no_module_imports_what_imports_it():
    # The package itself holds its version, and imports the rest when somebody asks for it.
    names = {path: path.relative_to(ROOT).with_suffix("").parts for path in FILES if path != PACKAGE / "__init__.py"}
    assert circles({".".join(parts).removesuffix(".__init__"): path for path, parts in names.items()}) == []


def test_the_check_sees_a_circle(tmp_path):
    """Over a third module, inside a function, and for types only."""
    texts = {
        "a": "import a.b\nfrom a.c import thing\n",
        "a.b": "from a import c\n",
        "a.c": "def later():\n    from a.d import thing\n",
        "a.d": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from a.b import Thing\n",
    }
    files = {name: tmp_path / f"{name}.py" for name in texts}
    for name, text in texts.items():
        files[name].write_text(text)
    assert circles(files) == [["a.b", "a.c", "a.d"]]


def test_the_checks_see_a_wrong_import(tmp_path):
    """So that the tests above can fail."""
    file = tmp_path / "wrong.py"
    file.write_text("def later():\n    from imu_shoulder.cli import main\n    import click\n")
    assert imports(file) == {"imu_shoulder.cli.main", "click"}


# What writes files, for `imu_shoulder.files` alone: in the standard library, and in libraries that are given a place.
MODULES = ("shutil", "tempfile")
OF_OS = {"chmod", "fdopen", "link", "makedirs", "mkdir", "open", "remove", "rename", "replace", "symlink", "unlink"}
OF_PATHS = {"chmod", "hardlink_to", "mkdir", "rename", "symlink_to", "touch", "unlink", "write_bytes", "write_text"}
OF_LIBRARIES = {"dump", "save", "savefig", "savetxt", "savez", "to_csv", "to_json", "to_parquet", "tofile"}
OF_LIBRARIES |= {"write_table"}


def writes(path: Path) -> list[str]:
    """Calls in a file that write files by themselves. A library may write into a `stream` or `buffer`."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [f"{path.name}:{call.lineno} {ast.unparse(call.func)}" for call in calls if _writes(call)]


def _writes(call: ast.Call) -> bool:
    owner, _, name = ast.unparse(call.func).rpartition(".")
    if owner in ("os", *MODULES):
        return name in OF_OS or (owner in MODULES and name != "get_terminal_size")
    if name == "open":
        given = [a.value for a in [*call.args, *(k.value for k in call.keywords)] if isinstance(a, ast.Constant)]
        return any(re.fullmatch("[rbt]*[wax+][bt+]*", str(mode)) for mode in given)
    if name in OF_LIBRARIES and owner:
        return bool(call.args) and not {"stream", "buffer"} & {ast.unparse(argument) for argument in call.args}
    return name in OF_PATHS and bool(owner)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_only_one_module_writes_files(path):
    assert path == PACKAGE / "files.py" or writes(path) == []


def test_the_check_sees_what_the_one_module_does():
    assert len(writes(PACKAGE / "files.py")) > 10


@pytest.mark.parametrize(
    "line",
    [
        *(
            "open('f', 'w')",
            "open('f', mode='ab')",
            "path.open('r+b')",
            "io.open('f', 'x')",
            "os.open('f', flag)",
        ),
        *("path.write_text('x')", "(out / name).write_bytes(b'')", "path.mkdir(parents=True)", "os.replace('f', 'g')"),
        *("shutil.move('f', 'g')", "tempfile.mkdtemp()", "frame.to_csv(path)", "frame.to_parquet(folder / 'f')"),
        *("np.savetxt(path, values)", "pq.write_table(table, path)", "figure.savefig('f.png')", "json.dump(x, handle)"),
    ],
)
def test_the_check_sees_this_way_to_write(tmp_path, line):
    (tmp_path / "wrong.py").write_text(line)
    assert len(writes(tmp_path / "wrong.py")) == 1


@pytest.mark.parametrize(
    "line",
    [
        *("path.open('rb')", "path.open(encoding='utf-8')", "open('names.txt')", "text.replace('a', 'w')"),
        *(
            "frame.to_csv(index=False)",
            "frame.to_csv(stream)",
            "np.savetxt(stream, values)",
            "replace(x, text='w')",
        ),
    ],
)
def test_the_check_lets_reading_and_streams_pass(tmp_path, line):
    (tmp_path / "right.py").write_text(line)
    assert writes(tmp_path / "right.py") == []


def declared() -> set[str]:
    """Names of the libraries that pyproject.toml asks for, with and without extras, as they are imported."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    lines = [*project["dependencies"], *(line for extra in project["optional-dependencies"].values() for line in extra)]
    return {re.match(r"[\w-]+", line)[0].replace("-", "_") for line in lines}


@pytest.mark.parametrize("folder", ["imu_shoulder", "tests"])
def test_every_library_that_is_imported_is_declared(folder):
    files = sorted((ROOT / folder).rglob("*.py"))
    own = {"imu_shoulder", *(path.stem for path in files), *(path.name for path in (ROOT / folder).iterdir())}
    used = {name.split(".")[0] for path in files for name in imports(path)}
    assert used - own - set(sys.stdlib_module_names) <= declared()


def shares_alike(name: str) -> bool:
    """Whether a library's metadata put it under the GPL or AGPL. The LGPL lets others import it under any terms."""
    found = metadata.metadata(name)
    # Wheels append the licences of what they bundle: the library's own comes first.
    first = (found.get("License") or "").strip().partition("\n")[0]
    said = [found.get("License-Expression") or "", first, *(found.get_all("Classifier") or [])]
    return any(re.search(r"\bA?GPL|GNU (Affero )?General Public", line) for line in said)


def test_no_library_that_users_get_asks_for_the_gpl():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = [line for name, lines in project["optional-dependencies"].items() if name != "test" for line in lines]
    names = {re.match(r"[\w-]+", line)[0] for line in [*project["dependencies"], *extras]}
    here = [name for name in names if not (name == "uvloop" and sys.platform == "win32")]
    assert [name for name in here if shares_alike(name)] == []
    # What the tests compare with may: it is no part of the package.
    assert shares_alike("pingouin")


def test_what_only_tests_use_is_not_imported_by_the_package():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    only_tests = {re.match(r"[\w-]+", line)[0].replace("-", "_") for line in extras["test"]} - {"imu_shoulder"}
    used = {name.split(".")[0] for path in FILES for name in imports(path)}
    assert used & only_tests == set()


def test_every_file_that_is_not_code_is_in_the_wheel():
    patterns = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]
    packed = {path for pattern in patterns["imu_shoulder"] for path in PACKAGE.glob(pattern)}
    listed = subprocess.run(["git", "ls-files", PACKAGE], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    left_out = [line for line in listed.splitlines() if not line.endswith(".py") and ROOT / line not in packed]
    assert left_out == []


TESTS = sorted((ROOT / "tests").glob("test_*.py"))
# Clocks by which a test would wait for a guessed time, or hold a machine's speed against the program.
CLOCKS = {"time.sleep", "page.wait_for_timeout", "time.perf_counter", "time.process_time", "timeit.timeit"}


def clocks_in(text: str) -> list[str]:
    """Calls of those clocks in a test's own code; programs that it starts are texts, and no part of that."""
    calls = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)]
    return [f"{call.lineno} {name}" for call in calls if (name := ast.unparse(call.func)) in CLOCKS]


@pytest.mark.parametrize("path", TESTS, ids=lambda path: path.name)
def test_no_test_waits_on_a_clock(path):
    """`waiting.until` looks for what happens, and ends a test in which it never does."""
    assert clocks_in(path.read_text(encoding="utf-8")) == []


def test_the_check_sees_a_clock():
    assert clocks_in("import time\ntime.sleep(1)\npage.wait_for_timeout(60)\n") == [
        "2 time.sleep",
        "3 page.wait_for_timeout",
    ]


def test_every_mistake_that_is_written_down_can_be_put_in():
    """tests/mutate.py puts it where its text stands, which must be one place: code that moves takes it along."""
    places = {one.id: (ROOT / one.file).read_text(encoding="utf-8").count(one.old) for one in written()}
    assert {name: count for name, count in places.items() if count != 1} == {}


def test_a_group_of_tests_stays_in_one_process(tmp_path):
    """Browsers and radios side by side would starve each other on two cores."""
    lines = ["import pytest", '@pytest.mark.xdist_group("one")', '@pytest.mark.parametrize("n", range(8))']
    lines += ["def test_it(n, worker_id):", "    open(worker_id, 'w').close()", ""]
    (tmp_path / "test_it.py").write_text("\n".join(lines), encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-n", "2", "--dist", "loadgroup"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    assert len(list(tmp_path.glob("gw*"))) == 1


def test_no_property_is_held_against_a_clock():
    assert settings().deadline is None
    assert HealthCheck.too_slow in settings().suppress_health_check


def test_a_warning_that_nobody_explained_fails_its_test(tmp_path):
    filters = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["pytest"]["ini_options"]["filterwarnings"]
    (tmp_path / "pyproject.toml").write_text(f"[tool.pytest.ini_options]\nfilterwarnings = {json.dumps(filters)}\n")
    (tmp_path / "test_some.py").write_text("import warnings\ndef test_warns():\n    warnings.warn('new')\n")
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", str(tmp_path)]
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert "1 failed" in found.stdout.splitlines()[-1]


SKIPPING = """
import pytest

def test_passes():
    pass

def test_skips():
    pytest.skip("no browser")

def test_open_trials():
    pytest.skip("no open trials at shared/data/broad")

@pytest.mark.xfail(reason="known", strict=True)
def test_known():
    raise AssertionError

@pytest.mark.hardware
def test_nodes():
    raise AssertionError
"""


@pytest.mark.parametrize(
    ("required", "trials", "said"),
    [
        (False, False, "1 passed, 2 skipped, 1 deselected, 1 xfailed"),
        (True, False, "1 failed, 1 passed, 1 skipped, 1 deselected, 1 xfailed"),
        (True, True, "2 failed, 1 passed, 1 deselected, 1 xfailed"),
    ],
)
def test_a_skip_fails_where_all_is_required(tmp_path, monkeypatch, required, trials, said):
    tests = tmp_path / "checkout" / "tests"
    tests.mkdir(parents=True)
    shutil.copy(ROOT / "tests" / "conftest.py", tests)
    (tests / "test_some.py").write_text(SKIPPING)
    if trials:
        (tmp_path / "shared" / "data" / "broad").mkdir(parents=True)
    monkeypatch.setenv("IMU_SHOULDER_REQUIRE_ALL", "1" if required else "0")
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", str(tests)]
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert said in found.stdout.splitlines()[-1]
    assert found.returncode == (1 if required else 0)


def test_a_whole_file_that_skips_fails_too(tmp_path, monkeypatch):
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "test_some.py").write_text("import pytest\npytest.importorskip('no_such_module_anywhere')\n")
    monkeypatch.setenv("IMU_SHOULDER_REQUIRE_ALL", "1")
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", str(tmp_path)]
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert "1 error" in found.stdout
    assert found.returncode != 0
