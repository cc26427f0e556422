"""Write a result to a file: whole or not at all, and never over something that stands there.

The bytes go to a new file beside the target, which then takes the target's name in one step, so a
kill, a full disk or a second run leaves either the old file or the new one.
"""

import contextlib
import os
import secrets
import sys
from pathlib import Path

from holecount.troubles import CannotSave


def check_free(path: Path, *, force: bool) -> None:
    """Refuse early what `save` would refuse late, before minutes are spent on measuring.

    Raises
    ------
    CannotSave
        When something stands at ``path`` and ``force`` is not given, or its folder is not there.
    """
    if os.path.isdir(path):  # Unlike Path.is_dir it takes names of any length.
        raise CannotSave(f"'{path}' is a folder.", "Give the name of a file in it.")
    if _is_special(path):
        return
    if not force and os.path.lexists(path):
        raise _taken(path)
    if not os.path.isdir(path.absolute().parent):
        raise CannotSave(f"The folder of '{path}' does not exist.", "Make the folder first.")


def save(path: Path, content: bytes | str, *, force: bool) -> None:
    """Write ``content`` (text as UTF-8) to ``path``.

    Raises
    ------
    CannotSave
        When something stands there and ``force`` is not given, or it cannot be written.
    """
    check_free(path, force=force)
    data = content.encode("utf-8", "replace") if isinstance(content, str) else content
    aside: Path | None = None
    try:
        if _is_special(path):
            path.write_bytes(data)
            return
        target = Path(os.path.realpath(path))
        # No run and no thread takes another's name, nor one left behind by a run that was killed.
        aside = target.with_name(f".{target.name[:100]}.{os.getpid()}-{secrets.token_hex(4)}.part")
        with open(aside, "xb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
        if force or sys.platform == "win32":
            os.replace(aside, target)
        else:
            _rename_unless_taken(aside, target)
    except FileExistsError as e:
        raise _taken(path) from e
    except OSError as e:
        raise CannotSave(
            f"'{path}' cannot be written: {e.strerror or e}.", "Choose another folder, or make room on the disk."
        ) from e
    finally:
        if aside is not None:
            with contextlib.suppress(OSError):
                aside.unlink(missing_ok=True)


def _taken(path: Path) -> CannotSave:
    return CannotSave(f"'{path}' is there already and was left as it is.", "Give another name, or add --force.")


def _rename_unless_taken(aside: Path, target: Path) -> None:
    """Give the finished file its name; `FileExistsError` when another run took it meanwhile."""
    try:
        os.link(aside, target)
    except FileExistsError:
        raise
    except OSError:  # File systems without hard links (FAT, some shares).
        if os.path.lexists(target):
            raise FileExistsError(target) from None
        os.replace(aside, target)


def _is_special(path: Path) -> bool:
    """Whether ``path`` is a pipe or device such as /dev/null: written to, never replaced."""
    return os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path)
