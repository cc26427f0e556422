"""Read a small text file: a plain file, UTF-8, no longer than it may be; else one sentence says what is wrong."""

import os
import stat
from pathlib import Path

from holecount.troubles import BadInput


def require_plain_file(path: "os.PathLike[str]") -> None:
    """Refuse a folder, pipe or device where a file is asked for: opening a pipe waits for ever.

    Raises
    ------
    BadInput
    OSError
        When there is nothing, as opening it would.
    """
    if not stat.S_ISREG(os.stat(path).st_mode):
        raise BadInput(f"'{os.fspath(path)}' cannot be read: it is not a file.", "Give the name of a file.")


def read_text(path: Path, *, most_bytes: int, what: str, hint: str) -> str:
    """Text of a file with plain line ends and without a byte order mark.

    Parameters
    ----------
    most_bytes : longer files are not read to their end.
    what : what it should be, such as ``a chart file``.
    hint : what to do when it is not.

    Raises
    ------
    BadInput
        When it cannot be read, is too long, or no text.
    """
    try:
        require_plain_file(path)
        with open(path, "rb") as file:
            data = file.read(most_bytes + 1)
    except (OSError, ValueError) as e:
        why = (e.strerror or str(e)) if isinstance(e, OSError) else "not a usable name"
        raise BadInput(f"'{path}' cannot be read: {why}.", hint) from e
    if len(data) > most_bytes:
        raise BadInput(f"'{path}' is too long for {what} (over {most_bytes // 1000} kB).", hint)
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as e:
        raise BadInput(f"'{path}' is not {what} (not UTF-8 text).", hint) from e
