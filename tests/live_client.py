"""A page without a browser: it sees frames and gives commands over the live server's socket."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable
from typing import Any, Self

import pytest
from waiting import GUARD_S, until


class Page:
    """A page's socket: sees frames, gives commands."""

    def __init__(self, port: int) -> None:
        client = pytest.importorskip("websockets.sync.client", reason="the live part is not installed")
        self._open = contextlib.ExitStack()

        def connected() -> Any:
            try:
                origin = f"http://127.0.0.1:{port}"
                return client.connect(f"ws://127.0.0.1:{port}/live", origin=origin, compression=None)
            except OSError:
                return None

        self._ws = self._open.enter_context(until(connected, "the server lets a page in"))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_) -> None:
        self._open.close()

    def until_told(self, wanted: Callable[[dict], bool]) -> dict:
        """The first message with a frame that is as wanted."""
        last: dict[str, Any] = {}

        def next_as_wanted() -> dict[str, Any] | None:
            message = json.loads(self._ws.recv(timeout=GUARD_S))
            if message["type"] != "frame":
                return None
            self._ws.send(json.dumps({"seen": message["number"]}))
            last.update(message)
            return message if wanted(message) else None

        try:
            return until(next_as_wanted, "a frame as wanted", every_s=0.0)
        except AssertionError as error:
            raise AssertionError(f"{error}; last {last}") from None

    def until(self, wanted: Callable[[dict], bool]) -> dict:
        """The first frame that is as wanted."""
        return self.until_told(lambda message: wanted(message["frame"]))["frame"]

    def saved(self) -> dict:
        """What came of saving."""
        return self.until_told(lambda message: message["saved"]["state"] in ("saved", "failed"))["saved"]

    def tell(self, name: str, **args) -> None:
        self._ws.send(json.dumps({"id": 1, "do": name, "args": args}))
        while True:
            message = json.loads(self._ws.recv(timeout=GUARD_S))
            if message["type"] == "answer":
                assert message["taken"], message
                return

    def stand_still(self) -> None:
        self.until(lambda frame: all(s["seen_s_ago"] is not None for s in frame["sensors"].values()))
        self.tell("calibrate_pose")
        self.until(lambda frame: frame["calibration"]["step"] == "bends")

    def watch(self, seconds: float) -> dict:
        """The frame some seconds of samples on."""
        begin_s = self.until(lambda _: True)["t"]
        return self.until(lambda frame: frame["t"] >= begin_s + seconds)
