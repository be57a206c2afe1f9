"""A page without a browser: it sees frames and gives commands over the live server's socket."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable
from typing import Any, Self

import pytest


class Page:
    """A page's socket: sees frames, gives commands."""

    def __init__(self, port: int) -> None:
        client = pytest.importorskip("websockets.sync.client", reason="the live part is not installed")
        deadline = time.monotonic() + 20
        self._open = contextlib.ExitStack()
        while True:
            try:
                origin = f"http://127.0.0.1:{port}"
                link = client.connect(f"ws://127.0.0.1:{port}/live", origin=origin, compression=None)
                self._ws = self._open.enter_context(link)
                return
            except OSError:
                assert time.monotonic() < deadline
                time.sleep(0.1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_) -> None:
        self._open.close()

    def until_told(self, wanted: Callable[[dict], bool], seconds: float = 60) -> dict:
        """The first message with a frame that is as wanted."""
        deadline = time.monotonic() + seconds
        message: dict[str, Any] = {}
        while time.monotonic() < deadline:
            message = json.loads(self._ws.recv(timeout=10))
            if message["type"] == "frame":
                self._ws.send(json.dumps({"seen": message["number"]}))
                if wanted(message):
                    return message
        raise AssertionError(f"not seen in {seconds:g} s; last {message}")

    def until(self, wanted: Callable[[dict], bool]) -> dict:
        """The first frame that is as wanted."""
        return self.until_told(lambda message: wanted(message["frame"]))["frame"]

    def saved(self) -> dict:
        """What came of saving."""
        return self.until_told(lambda message: message["saved"]["state"] in ("saved", "failed"))["saved"]

    def tell(self, name: str, **args) -> None:
        self._ws.send(json.dumps({"id": 1, "do": name, "args": args}))
        while True:
            message = json.loads(self._ws.recv(timeout=10))
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
