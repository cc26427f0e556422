"""Stopped half way: an upload breaks off, the program is killed, a window closes. And HEIC from a phone."""

import io
import json
import re
import socket
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest

from holecount import tally

if TYPE_CHECKING:
    from conftest import Program
    from playwright.sync_api import Browser

SAMPLES = Path(__file__).parents[2] / "samples"
SEAT = SAMPLES / "round-stool.jpg"


def token(program: "Program") -> str:
    with urllib.request.urlopen(program.address, timeout=30) as answer:
        found = re.search(r'name="holecount-token" content="([^"]+)"', answer.read().decode("utf-8"))
    assert found
    return found[1]


def ask(program: "Program", way: str, data: bytes | None = None) -> Any:
    headers = {"X-Holecount-Token": token(program)} if data is not None else {}
    request = urllib.request.Request(program.address.rstrip("/") + way, data=data, headers=headers)
    with urllib.request.urlopen(request, timeout=60) as answer:
        return json.loads(answer.read())


def measured(program: "Program", address: str) -> Any:
    end = time.monotonic() + 90
    while time.monotonic() < end:
        state = ask(program, f"/api/jobs/{address.removeprefix('/job/')}?wait=1")
        if not state["doing"]:
            return state
    raise AssertionError("not measured in 90 s")


def test_an_upload_that_breaks_off_leaves_nothing(programs: Callable[[Path], "Program"], tmp_path: Path) -> None:
    program = programs(tmp_path / "jobs")
    at = urlsplit(program.address)
    assert at.hostname
    assert at.port
    sent = SEAT.read_bytes()
    head = (
        f"POST /api/jobs?name=x HTTP/1.1\r\nHost: {at.netloc}\r\nX-Holecount-Token: {token(program)}\r\n"
        f"Content-Type: application/octet-stream\r\nContent-Length: {len(sent)}\r\n\r\n"
    )
    for share in (0.0, 0.5, 0.999):
        with socket.create_connection((at.hostname, at.port), timeout=20) as line:
            line.sendall(head.encode() + sent[: int(share * len(sent))])
    assert ask(program, "/api/jobs?name=whole", sent)["address"]  # the program goes on
    assert [p.name.endswith("whole") for p in (tmp_path / "jobs").iterdir()] == [True]


def test_a_program_killed_during_an_upload_and_while_measuring_loses_nothing(
    programs: Callable[[Path], "Program"], tmp_path: Path
) -> None:
    program = programs(tmp_path / "jobs")
    address = ask(program, "/api/jobs?name=seat", SEAT.read_bytes())["address"]
    at = urlsplit(program.address)
    assert at.hostname
    assert at.port
    ask(program, f"/api/jobs/{address.removeprefix('/job/')}")  # begins to measure
    with socket.create_connection((at.hostname, at.port), timeout=20) as line:
        head = f"POST /api/jobs?name=second HTTP/1.1\r\nHost: {at.netloc}\r\nContent-Length: 900000\r\n\r\n"
        line.sendall(head.encode() + b"\xff\xd8" * 1000)
        program.kill()
    (tmp_path / "jobs" / ".half.part").mkdir()  # as a kill in the middle of making a job leaves one
    program.start()
    assert measured(program, address)["said"].startswith("47 holes")
    with urllib.request.urlopen(program.address, timeout=30) as answer:
        listed = re.findall(r'href="(/job/[^"]+)"', answer.read().decode("utf-8"))
    assert listed == [address]


def test_measuring_goes_on_without_a_window(programs: Callable[[Path], "Program"], tmp_path: Path) -> None:
    program = programs(tmp_path / "jobs")
    address = ask(program, "/api/jobs?name=seat", SEAT.read_bytes())["address"]
    ask(program, f"/api/jobs/{address.removeprefix('/job/')}")
    job = tmp_path / "jobs" / address.removeprefix("/job/")
    end = time.monotonic() + 60
    while not (job / "measured.json").exists():
        assert time.monotonic() < end
        time.sleep(0.1)
    assert tally.read(job / "measurement.json").seat.n_holes == 47


def test_a_phones_heic_is_measured_like_its_jpeg(program: "Program") -> None:
    pillow_heif = pytest.importorskip("pillow_heif", reason="HEIC needs pillow-heif")
    from PIL import Image

    pillow_heif.register_heif_opener()
    with Image.open(SEAT) as picture:
        out = io.BytesIO()
        picture.save(out, "HEIF", quality=92, exif=picture.getexif().tobytes())
    address = ask(program, "/api/jobs?name=from-a-phone", out.getvalue())["address"]
    state = measured(program, address)
    job = program.jobs / address.removeprefix("/job/")
    assert (job / "photo.heic").read_bytes() == out.getvalue()
    truth = json.loads(SEAT.with_suffix(".json").read_text(encoding="utf-8"))
    assert state["said"].startswith(f"{truth['count_visible']} holes")
    key = state["picture"]["key"]
    way = f"{program.address}api/jobs/{job.name}/tiles/{key}/whole.jpg"
    with urllib.request.urlopen(way, timeout=30) as answer:
        assert answer.read(3) == b"\xff\xd8\xff"  # never handed out as it came
    # Cut off, it is refused in words and leaves nothing.
    before = sorted(p.name for p in program.jobs.iterdir())
    with pytest.raises(urllib.error.HTTPError) as refused:
        ask(program, "/api/jobs?name=half", out.getvalue()[: len(out.getvalue()) // 2])
    assert refused.value.code == 422
    assert json.loads(refused.value.read())["what"]
    assert sorted(p.name for p in program.jobs.iterdir()) == before


def test_a_window_closed_while_typing_has_sent_what_was_typed(
    browser: "Browser", programs: Callable[[Path], "Program"], tmp_path: Path
) -> None:
    program = programs(tmp_path / "jobs")
    address = ask(program, "/api/jobs?name=seat", SEAT.read_bytes())["address"]
    context = browser.new_context()
    page = context.new_page()
    page.goto(program.address.rstrip("/") + address)
    page.wait_for_selector(".take, #answer .message", timeout=60_000)
    page.fill("#notes-text", "Back rail glued")
    page.close(run_before_unload=False)
    context.close()
    job = tmp_path / "jobs" / address.removeprefix("/job/")
    end = time.monotonic() + 10
    while not (job / "notes.txt").exists():
        assert time.monotonic() < end
        time.sleep(0.1)
    assert (job / "notes.txt").read_text(encoding="utf-8").strip() == "Back rail glued"
