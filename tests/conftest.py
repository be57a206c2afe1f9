"""What all tests share: flags, the rule that nothing is skipped in CI, and recordings made once per process.

Heavy imports wait inside the fixtures, so that collecting stays quick.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# How long an example takes is the machine's affair. Both of Hypothesis' clocks are off, for every test.
settings.register_profile("no_clock", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("no_clock")

ROOT = Path(__file__).parents[1]
# Open trials that lie beside the checkout where there is a copy of them; too large to be kept in it.
OPEN_TRIALS = ROOT.parent / "shared" / "data" / "broad"
OPEN_DATA = (OPEN_TRIALS, ROOT.parent / "shared" / "data" / "physical_therapy")
REQUIRE_ALL = "IMU_SHOULDER_REQUIRE_ALL"


def pytest_addoption(parser):
    parser.addoption(
        "--hardware", action="store_true", help="Also run what needs sensor nodes and a Bluetooth adapter."
    )


def pytest_configure(config):
    config.addinivalue_line("markers", "hardware: needs real sensor nodes in reach; runs with --hardware only")


def pytest_collection_modifyitems(config, items):
    """What needs hardware is left out, not skipped, where nobody asked for it."""
    if config.getoption("--hardware"):
        return
    wanted = [item for item in items if item.get_closest_marker("hardware") is None]
    if len(wanted) < len(items):
        config.hook.pytest_deselected(items=[item for item in items if item not in wanted])
        items[:] = wanted


def _fail_skipped(report):
    """With IMU_SHOULDER_REQUIRE_ALL=1 a skip is a failure, but for open trials that are not there to be read."""
    if not report.skipped or hasattr(report, "wasxfail") or os.environ.get(REQUIRE_ALL) != "1":
        return
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    if any(folder.name in reason and not folder.exists() for folder in OPEN_DATA):
        return
    report.outcome = "failed"
    report.longrepr = f"{report.nodeid} was skipped, and {REQUIRE_ALL} is set: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    _fail_skipped(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    report = yield
    _fail_skipped(report)
    return report


@pytest.fixture(scope="session")
def small_recording(tmp_path_factory):
    """The folder of a short recording: two clean reps of full_can, sensors on the right wrist and upper arm, 50 Hz.

    Shared by all tests of a process: copy it before changing it.
    """
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.scenarios import drill_scenario
    from imu_shoulder.sources.folder import write_recording

    scenario = drill_scenario(
        "full_can", placements=("right_wrist", "right_upper_arm"), rate_hz=50.0, reps=2, hold_s=5.4
    )
    folder = tmp_path_factory.mktemp("recording") / "small"
    write_recording(simulate(scenario, seed=3).recording, folder)
    return folder


@pytest.fixture(scope="session")
def season_file(small_recording, tmp_path_factory):
    """The file of a history of invented athletes, see tests/review_server.py. Copy it before changing it."""
    from review_server import season

    return season(tmp_path_factory.mktemp("season"), small_recording)


@pytest.fixture(scope="session")
def clean_outputs(tmp_path_factory):
    """The folder of results of recordings/clean_warm_up."""
    from click.testing import CliRunner

    from imu_shoulder.cli import cli

    out = tmp_path_factory.mktemp("results") / "clean_warm_up"
    found = CliRunner().invoke(cli, ["analyse", str(ROOT / "recordings" / "clean_warm_up"), "--out", str(out)])
    assert found.exit_code == 0, found.output
    return out


@pytest.fixture(scope="module")
def browser():
    """Chromium for the athlete's page."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        options = ["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"]
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=options)
        yield browser
        browser.close()


@pytest.fixture
def opened(browser, tmp_path):
    """Opens the page of a session; afterwards the console stayed empty and nothing came from elsewhere."""
    from live_server import Running
    from waiting import GUARD_S

    started, contexts, said, asked = [], [], [], []

    def open_page(session, size=(1180, 820), **options):
        context_options = {"viewport": {"width": size[0], "height": size[1]}, **options.pop("context", {})}
        running = Running(tmp_path / f"session{len(started)}", session, **options)
        running.__enter__()
        started.append(running)
        return another(running, context_options), running

    def another(running, context_options=None):
        context = browser.new_context(**(context_options or {"viewport": {"width": 1180, "height": 820}}))
        contexts.append(context)
        context.set_default_timeout(1000 * GUARD_S)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(running.url)
        page.wait_for_selector("body:not([data-stage=wait])")
        return page

    open_page.another = another
    yield open_page
    for context in contexts:
        context.close()
    for running in started:
        running.__exit__()
    # The browser itself says when a socket is refused.
    assert [text for text in said if "ERR_CONNECTION_REFUSED" not in text] == []
    assert all(url.startswith("http://127.0.0.1:") for url in asked)


@pytest.fixture(scope="session")
def postgres_url():
    """The URL of a database on a real PostgreSQL, which tests empty for themselves."""
    from postgres import server

    with server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgres"])
def store(request, tmp_path):
    """An empty history on either database."""
    from sqlalchemy import create_engine, text

    from imu_shoulder.history.store import open_store

    if request.param == "sqlite":
        with open_store(tmp_path / "h.db") as found:
            yield found
        return
    url = request.getfixturevalue("postgres_url")
    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    with open_store(url, tmp_path / "kept") as found:
        yield found
