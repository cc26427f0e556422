"""Files are whole or not there, and nothing that stands is written over unasked."""

import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from holecount import saving
from holecount.troubles import CannotSave


def test_text_and_bytes(tmp_path: Path) -> None:
    saving.save(tmp_path / "größe.txt", "12 ± 1\n", force=False)
    assert (tmp_path / "größe.txt").read_bytes() == "12 ± 1\n".encode()
    saving.save(tmp_path / "b", b"\0\1", force=False)
    assert (tmp_path / "b").read_bytes() == b"\0\1"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b", "größe.txt"]  # Nothing left aside.


def test_what_stands_stays(tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    file.write_text("old")
    with pytest.raises(CannotSave, match="already") as caught:
        saving.save(file, "new", force=False)
    assert caught.value.exit_code == 5
    assert file.read_text() == "old"
    saving.save(file, "new", force=True)
    assert file.read_text() == "new"
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
def test_permissions_follow_the_umask(tmp_path: Path) -> None:
    saving.save(tmp_path / "a", "x", force=False)
    usual = tmp_path / "usual"
    usual.touch()
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == stat.S_IMODE(usual.stat().st_mode)


def test_another_run_was_quicker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a"
    real = os.fsync

    def meanwhile(fd: int) -> None:
        file.write_text("theirs")
        real(fd)

    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(CannotSave, match="already"):
        saving.save(file, "ours", force=False)
    assert file.read_text() == "theirs"


def test_no_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    saving.save(tmp_path / "a", "x", force=False)
    assert (tmp_path / "a").read_text() == "x"
    assert len(list(tmp_path.iterdir())) == 1


def test_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a"
    file.write_text("old")

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CannotSave, match="No space left"):
        saving.save(file, "new", force=True)
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_killed_half_way_leaves_the_old_file(tmp_path: Path) -> None:
    file = tmp_path / "a"
    file.write_text("old")
    code = (
        "import os, sys; from pathlib import Path; from holecount import saving;"
        "os.fsync = lambda fd: os._exit(9);"
        "saving.save(Path(sys.argv[1]), 'new', force=True)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(file)], check=False).returncode == 9
    assert file.read_text() == "old"


def test_what_a_killed_run_left_behind_stops_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a container every run may have the same process id."""
    file = tmp_path / "a"
    monkeypatch.setattr(os, "getpid", lambda: 7)
    for name in (".a.7.part", ".a.7-00000000.part"):
        (tmp_path / name).write_text("half")
    tokens = iter(("00000001", "00000002"))
    monkeypatch.setattr(saving.secrets, "token_hex", lambda n: next(tokens))
    saving.save(file, "first", force=False)
    saving.save(file, "second", force=True)
    assert file.read_text() == "second"


def test_two_threads_saving_one_file_leave_one_of_the_two_whole(tmp_path: Path) -> None:
    file = tmp_path / "a"
    texts = [c * 200_000 for c in "abcd"]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda text: saving.save(file, text, force=True), texts * 5))
    assert file.read_text() in texts
    assert list(tmp_path.iterdir()) == [file]


def test_places_that_cannot_be(tmp_path: Path) -> None:
    for path, words in ((tmp_path, "folder"), (tmp_path / "none" / "a", "does not exist")):
        with pytest.raises(CannotSave, match=words):
            saving.check_free(path, force=False)
        with pytest.raises(CannotSave, match=words):
            saving.save(path, "x", force=True)


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="no /dev/null")
def test_devices_are_written_to_not_replaced() -> None:
    saving.check_free(Path("/dev/null"), force=False)
    saving.save(Path("/dev/null"), "x", force=False)
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


@pytest.mark.skipif(sys.platform == "win32", reason="needs symbolic links")
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "real")
    with pytest.raises(CannotSave):
        saving.save(link, "new", force=False)
    saving.save(link, "new", force=True)
    assert link.is_symlink()
    assert (tmp_path / "real").read_text() == "new"
