"""Keep what C decoders write to standard error from the person at the terminal.

libjpeg, libtiff and others print remarks of their own ("Corrupt JPEG data: ..."), past Python. They are caught
here while a picture is decoded, so that a trouble stays one sentence of ours, and handed to whoever wants to know
what the decoder thought of the file.
"""

import contextlib
import os
import sys
import tempfile
import threading
from collections.abc import Iterator

_ONE_AT_A_TIME = threading.Lock()
"""There is one standard error in a process."""


@contextlib.contextmanager
def caught() -> Iterator[list[str]]:
    """Catch standard error of the whole process for the time of one decoding; the list holds it afterwards."""
    words: list[str] = []
    with contextlib.ExitStack() as stack:
        stack.enter_context(_ONE_AT_A_TIME)
        try:
            aside = stack.enter_context(tempfile.TemporaryFile())
            before = os.dup(2)
        except OSError:  # No room for a temporary file, or no standard error: then nothing is caught.
            yield words
            return
        stack.callback(os.close, before)
        if sys.stderr is not None:
            with contextlib.suppress(OSError, ValueError):
                sys.stderr.flush()
        os.dup2(aside.fileno(), 2)
        try:
            yield words
        finally:
            os.dup2(before, 2)
            aside.seek(0)
            words += aside.read(20_000).decode("utf-8", "replace").splitlines()
