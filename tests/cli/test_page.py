"""The verb page: where it listens, what it says, how it ends."""

import builtins
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from holecount.cli import run

pytest.importorskip("flask", reason="the page's packages are not installed: pip install holecount[page]")

from holecount.page import serve as serving
from holecount.page.serve import NoPort, Opened, serve


def started(*options: str) -> "subprocess.Popen[str]":
    command = [sys.executable, "-m", "holecount", "page", "--no-browser", "--port", "0", *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent another way there")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_says_where_it_is_and_stops_when_asked(how: signal.Signals, tmp_path: Path) -> None:
    with started("--jobs", str(tmp_path / "jobs")) as process:
        try:
            assert process.stdout
            address = process.stdout.readline().strip()
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", address)
            with urllib.request.urlopen(address, timeout=20) as answer:
                assert b"New seat" in answer.read()
            os.kill(process.pid, how)
            out, err = process.communicate(timeout=40)
        finally:
            process.kill()
    assert out == ""
    assert str(tmp_path / "jobs") in err
    assert "Traceback" not in err
    assert process.returncode in (0, 130)


def test_other_names_are_not_answered(tmp_path: Path) -> None:
    with started("--jobs", str(tmp_path / "jobs")) as process:
        try:
            assert process.stdout
            address = process.stdout.readline().strip()
            rebound = urllib.request.Request(address, headers={"Host": "evil.example"})
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(rebound, timeout=20)
        finally:
            process.terminate()
            process.communicate(timeout=40)


def test_a_port_that_is_taken_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert run(["page", "--no-browser", "--port", str(port), "--jobs", str(tmp_path)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert f"cannot listen on port {port}" in err
    assert err.count("\n") == 1


def test_a_file_is_no_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert run(["page", "--no-browser", "--jobs", str(tmp_path / "file")]) == 2
    assert "is not a folder" in capsys.readouterr().err


def test_missing_packages_are_named_with_their_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "waitress":
            raise ImportError("no", name=name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    assert run(["page", "--no-browser", "--jobs", str(tmp_path)]) == 1
    assert 'pip install "holecount[page]"' in capsys.readouterr().err


class Enough(Exception):
    """Ends serving once it has been told where it is."""


def told_when_serving(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *, phone: bool) -> tuple[Opened, list[str]]:
    """What would be told, listening in truth on 127.0.0.1 whatever is asked for."""
    asked: list[str] = []
    listen = serving._listen

    def listening(address: str, port: int) -> socket.socket:
        asked.append(address)
        return listen("127.0.0.1", port)

    monkeypatch.setattr(serving, "_listen", listening)
    monkeypatch.setattr(serving, "local_address", lambda: "192.0.2.7")
    found: list[Opened] = []

    def told(opened: Opened) -> None:
        found.append(opened)
        raise Enough

    with pytest.raises(Enough):
        serve(tmp_path, port=0, phone=phone, browser=False, told=told)
    return found[0], asked


def test_it_listens_on_this_machine_alone_unless_a_phone_is_let_in(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    opened, asked = told_when_serving(monkeypatch, tmp_path, phone=False)
    assert asked == ["127.0.0.1"]
    assert opened.phone == ""
    assert "open/" not in opened.here


def test_a_phone_gets_an_address_with_a_secret_and_plain_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from holecount.cli.page import _tell

    opened, asked = told_when_serving(monkeypatch, tmp_path, phone=True)
    assert asked == ["0.0.0.0"]
    assert re.fullmatch(r"http://192\.0\.2\.7:\d+/open/[\w-]{22,}", opened.phone)
    assert opened.here.split("open/")[1] != opened.phone.split("open/")[1]
    _tell(opened)
    out, err = capsys.readouterr()
    assert out.strip() == opened.here
    assert "open to everyone on this network who has the address" in err
    assert "unencrypted" in err
    assert opened.phone in err
    assert any(c in err for c in "█▀▄")  # the code


def test_without_a_network_a_phone_cannot_be_let_in(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(serving, "local_address", lambda: "")
    with pytest.raises(NoPort, match="no local network"):
        serve(tmp_path, port=0, phone=True, browser=False, told=lambda opened: None)
