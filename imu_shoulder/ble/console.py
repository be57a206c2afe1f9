"""The terminal while recording: a line per node, and lines typed below them."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import shutil
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import TextIO

from imu_shoulder.ble.link import LinkState, NodeLink
from imu_shoulder.texts import visible

ERASE_DOWN = "\x1b[J"
ERASE_LINE = "\x1b[K"


def status_line(link: NodeLink, now_s: float) -> str:
    """Placement, rate, loss, battery, how far the clock can be wrong, and state of one node."""
    meter = link.meter
    share = 100 * meter.lost / max(1, meter.lost + meter.packets)
    error_s = meter.clock_error_s()
    battery = "  ?" if link.battery_percent is None else f"{link.battery_percent:3d}"
    clock = "   ?" if error_s is None or error_s == float("inf") else f"{1e3 * error_s:4.1f}"
    trouble = f" ({link.trouble})" if link.trouble and link.state is LinkState.LOST else ""
    # A terminal of 80 columns shows all of it but the trouble.
    return (
        f"{link.entry.placement:<15} {meter.rate_hz(now_s):5.0f} Hz  lost {share:5.2f} %  battery {battery} %  "
        f"clock {clock} ms  {link.state.value}{trouble}"
    )


class Console:
    """Shows status lines: repainted in place on a terminal, printed one below the other elsewhere."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._in_place = out.isatty()
        self._painted = 0
        self.typed = ""

    @property
    def repaint_s(self) -> float:
        return 1.0 if self._in_place else 10.0

    def _write(self, text: str) -> None:
        # A terminal that was closed takes nothing any more, and must not take the recording with it.
        with contextlib.suppress(OSError):
            self._out.write(text)
            self._out.flush()

    def paint(self, lines: Sequence[str]) -> None:
        if not self._in_place:
            self._write("\n".join(lines) + "\n")
        else:
            width = shutil.get_terminal_size().columns - 1
            rows = [visible(line)[:width] for line in [*lines, f"> {self.typed}"]]
            up = f"\x1b[{self._painted - 1}F" if self._painted > 1 else "\r"
            self._write(up + ERASE_DOWN + "\n".join(rows))
            self._painted = len(rows)

    def say(self, text: str) -> None:
        """A line that stays."""
        if self._in_place and self._painted:
            up = f"\x1b[{self._painted - 1}F" if self._painted > 1 else "\r"
            self._write(up + ERASE_DOWN)
            self._painted = 0
        self._write(visible(text) + "\n")

    def key(self, character: str) -> str | None:
        """Take one typed character and show it; the whole line when it was Enter."""
        line = None
        if character in "\r\n":
            line, self.typed = self.typed, ""
        elif character in "\x7f\b":
            self.typed = self.typed[:-1]
        elif character.isprintable():
            self.typed += character
        if self._in_place and self._painted:
            self._write(f"\r{ERASE_LINE}> {self.typed}")
        return line


class _SayHandler(logging.Handler):
    def __init__(self, console: Console) -> None:
        super().__init__(logging.WARNING)
        self._console = console

    def emit(self, record: logging.LogRecord) -> None:
        self._console.say(f"bluetooth: {record.getMessage()}")


@contextlib.contextmanager
def warnings_said(console: Console) -> Iterator[None]:
    """What the Bluetooth library warns of goes through the console, so that it does not break the painted lines."""
    logger = logging.getLogger("bleak")
    handler = _SayHandler(console)
    logger.addHandler(handler)
    try:
        yield
    finally:
        logger.removeHandler(handler)


class Keyboard:
    """Reads what is typed in a thread of its own and hands characters to the event loop.

    On a terminal the line discipline is set to give characters at once and not to echo them, and set back on exit.
    """

    def __init__(self, take: Callable[[str], None]) -> None:
        self._take = take
        self._saved: list[object] | None = None

    def __enter__(self) -> Keyboard:
        if sys.stdin is None or sys.stdin.closed:
            return self
        if sys.platform != "win32" and sys.stdin.isatty():
            import termios
            import tty

            self._saved = termios.tcgetattr(sys.stdin.fileno())
            tty.setcbreak(sys.stdin.fileno())
        loop = asyncio.get_running_loop()
        threading.Thread(target=self._read, args=(loop, sys.stdin.fileno()), name="keyboard", daemon=True).start()
        return self

    def _read(self, loop: asyncio.AbstractEventLoop, fd: int) -> None:
        while True:
            try:
                data = os.read(fd, 1024)
            except OSError:
                return
            if not data:
                return
            try:
                loop.call_soon_threadsafe(self._hand_over, data.decode(errors="ignore"))
            except RuntimeError:
                return  # the recording is over

    def _hand_over(self, text: str) -> None:
        for character in text:
            self._take(character)

    def __exit__(self, *_: object) -> None:
        if self._saved is not None and sys.platform != "win32":
            import termios

            with contextlib.suppress(termios.error):  # the terminal was closed
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._saved)  # type: ignore[arg-type]
