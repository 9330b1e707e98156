"""A page that is served as a user has it served, what it tells, and a browser to look at it with."""

import contextlib
import json
import os
import queue
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from websockets.sync.client import connect

CHROMIUM = next((each for each in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(each).exists()), None)
"""Debian's, or None where it is not installed."""
OBLONG = """[waveguide]
section_exponent = 2.6
[waveguide.horizontal]
family = "oblate_spheroidal"
depth_mm = 90
wall_angle_deg = 47
[waveguide.vertical]
family = "conical"
depth_mm = 90
coverage_deg = 56
[driver]
exit_diameter_mm = 25.4
"""
PATIENCE = 60.0
"""s that anything may take on a loaded machine, compiling included."""


class Served:
    """`evenflare open` in a process of its own."""

    def __init__(self, *arguments: str, folder: Path) -> None:
        self.child = subprocess.Popen(
            [sys.executable, "-m", "evenflare.cli", "open", *arguments, "--no-browser"],
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.child.stdout is not None
        self.address = self.child.stdout.readline().strip()
        found = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/([\w-]{40,})/", self.address)
        assert found, self.address + self.child.stderr.read()
        self.port, self.token = int(found[1]), found[2]

    def interrupt(self) -> int:
        """Ctrl-C; the exit code."""
        self.child.send_signal(signal.SIGINT)
        return self.child.wait(PATIENCE)


@contextlib.contextmanager
def served(*arguments: str, folder: Path):
    """It, ended when the block is."""
    made = Served(*arguments, folder=folder)
    try:
        yield made
    finally:
        if made.child.poll() is None:
            made.child.kill()
        made.child.wait(PATIENCE)
        made.child.stdout.close()
        made.child.stderr.close()


class Listener:
    """One browser's socket without the browser."""

    def __init__(self, page: Served) -> None:
        self._open = contextlib.ExitStack()
        own = f"127.0.0.1:{page.port}"
        self.socket = self._open.enter_context(
            connect(f"ws://{own}/{page.token}/live", origin=f"http://{own}", max_size=None)
        )
        self._news: queue.Queue = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(Exception):
            for text in self.socket:
                self._news.put(json.loads(text))

    def ask(self, **message) -> None:
        self.socket.send(json.dumps(message))

    def until(self, kind: str, fit=lambda _: True) -> dict:
        """The next news of a kind that fit."""
        ends = time.monotonic() + PATIENCE
        while True:
            try:
                news = self._news.get(timeout=max(0.1, ends - time.monotonic()))
            except queue.Empty:
                raise AssertionError(f"no news of {kind} within {PATIENCE:g} s") from None
            if news["kind"] == kind and fit(news):
                return news

    def close(self) -> None:
        self._open.close()


@contextlib.contextmanager
def browser(**options):
    """A page of a headless Chromium."""
    from playwright.sync_api import sync_playwright

    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=os.environ.get("CHROMIUM", CHROMIUM), args=quiet)
        try:
            yield chromium.new_context(**options)
        finally:
            chromium.close()
