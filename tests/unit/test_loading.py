"""Small text files: read whole, or refused in one sentence that says why."""

import os
from pathlib import Path

import pytest

from holecount.loading import read_text
from holecount.troubles import BadInput


def read(path: Path, most_bytes: int = 100) -> str:
    return read_text(path, most_bytes=most_bytes, what="a list", hint="Give a list.")


def test_text_comes_with_plain_line_ends_and_no_mark(tmp_path: Path) -> None:
    file = tmp_path / "a list.txt"
    file.write_bytes("\ufeffone ½\r\ntwo\n".encode())
    assert read(file) == "one ½\ntwo\n"


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    long, latin = tmp_path / "long.txt", tmp_path / "latin.txt"
    long.write_bytes(b"x" * 101)
    latin.write_bytes("Stühle".encode("latin-1"))
    for path, words in (
        (long, "too long for a list"),
        (latin, "not a list \\(not UTF-8 text\\)"),
        (tmp_path, "is not a file"),
        (tmp_path / "nowhere.txt", "No such file"),
        (tmp_path / "a\0b", "not a usable name"),
    ):
        with pytest.raises(BadInput, match=words):
            read(path)
    assert read(long, 101) == "x" * 101


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(BadInput, match="is not a file"):
        read(tmp_path / "pipe")
