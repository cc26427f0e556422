"""The bench page as a program of its own, and a real browser in front of it.

The browser is Debian's Chromium, driven by Playwright; without either these tests are skipped and say so. The page
listens on 127.0.0.1 alone, and is stopped by its own process id.
"""

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SAMPLES = Path(__file__).parents[2] / "samples"


def chromium() -> str | None:
    """Where a Chromium is: ``HOLECOUNT_CHROMIUM``, or on the path."""
    names = (os.environ.get("HOLECOUNT_CHROMIUM"), "chromium", "chromium-browser", "google-chrome")
    return next((found for n in names if n and (found := shutil.which(n))), None)


class Program:
    """``holecount page`` running; stopped with its own process id."""

    def __init__(self, jobs: Path, *options: str) -> None:
        self.jobs = jobs
        self._options = options
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "holecount", "page", "--no-browser", "--port", "0", "--jobs", str(self.jobs)]
        self.process = subprocess.Popen(
            [*command, *self._options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        watch = threading.Timer(60, self.process.kill)
        watch.start()
        assert self.process.stdout
        self.address = self.process.stdout.readline().strip()
        watch.cancel()
        assert self.address.startswith("http://127.0.0.1:"), self.process.stderr and self.process.stderr.read()
        self.said: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr
        for line in self.process.stderr:
            self.said.append(line)

    def stop(self) -> int:
        self.process.terminate()
        try:
            return self.process.wait(timeout=40)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise
        finally:
            self._close()

    def kill(self) -> None:
        """As if the power went."""
        self.process.kill()
        self.process.wait(timeout=20)
        self._close()

    def _close(self) -> None:
        self._reader.join(timeout=10)
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe
            pipe.close()


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    pytest.importorskip("playwright.sync_api", reason="Playwright is not installed: pip install playwright")
    found = chromium()
    if found is None:
        pytest.skip("no Chromium found: install Debian's package chromium, or name one in HOLECOUNT_CHROMIUM")
    from playwright.sync_api import sync_playwright

    arguments = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=found, args=arguments)
        yield made
        made.close()


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    pytest.importorskip("flask", reason="the page's packages are not installed: pip install holecount[page]")
    pytest.importorskip("waitress", reason="the page's packages are not installed: pip install holecount[page]")
    made = Program(tmp_path_factory.mktemp("jobs"))
    yield made
    assert made.stop() in (0, 130, -15)


@pytest.fixture
def programs(program: Program) -> Iterator[Callable[[Path], Program]]:
    """Starts programs of a test's own; what still runs at its end is stopped."""
    started: list[Program] = []

    def start(jobs: Path) -> Program:
        started.append(Program(jobs))
        return started[-1]

    yield start
    for made in started:
        if made.process.poll() is None:
            made.stop()
