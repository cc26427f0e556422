"""Start the page, say where it is, and stop it in order."""

import contextlib
import ipaddress
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from holecount.page.app import PageSettings, create_app
from holecount.page.bench import Bench
from holecount.page.guard import Guard
from holecount.troubles import Trouble

USUAL_PORT = 8417
"""So that a bookmark keeps working. Own choice: among the unassigned ones."""

THREADS = 8
"""Answers at once: two windows loading tiles, and something over. Own choice."""


class NoPort(Trouble):
    """The page could not listen where it should (exit 1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """Where the page was opened: addresses for this machine and for a phone (empty without one)."""

    here: str
    phone: str
    folder: Path


def serve(
    folder: Path,
    *,
    port: int = USUAL_PORT,
    phone: bool = False,
    browser: bool = True,
    told: Callable[[Opened], None],
    settings: PageSettings | None = None,
) -> None:
    """Serve the page until interrupted.

    Parameters
    ----------
    folder : for the jobs.
    port : 0 takes any that is free.
    phone : let other devices on the local network in, with a secret.
    browser : open the page in this machine's browser.
    told : called once the page can be reached.

    Raises
    ------
    NoPort
        When the port is taken, or a phone is wanted and there is no local network.
    """
    import waitress

    s = settings or PageSettings()
    lan = local_address() if phone else ""
    if phone and not lan:
        raise NoPort("This machine is in no local network.", "Connect it to the same network as the phone.")
    listening = _listen("0.0.0.0" if phone else "127.0.0.1", port)
    port = listening.getsockname()[1]
    guard = Guard(hosts={f"127.0.0.1:{port}", f"localhost:{port}"}, needs_pass=phone)
    if phone:
        guard.hosts.add(f"{lan}:{port}")
    bench = Bench(folder)
    app = create_app(bench, guard, s)
    server = waitress.create_server(
        app,
        sockets=[listening],
        threads=THREADS,
        max_request_body_size=s.most_upload_bytes + 1_000_000,
        clear_untrusted_proxy_headers=True,
        ident="holecount",
    )
    try:
        here = f"http://127.0.0.1:{port}/"
        told(
            Opened(
                here=f"{here}open/{guard.invitation()}" if phone else here,
                phone=f"http://{lan}:{port}/open/{guard.invitation()}" if phone else "",
                folder=folder,
            )
        )
        if browser:
            address = f"{here}open/{guard.invitation()}" if phone else here
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        threading.Thread(target=_warm_up, name="warming", daemon=True).start()
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGTERM, _stop)
        server.run()
    finally:
        server.close()
        bench.close()


def _stop(number: int, frame: object) -> None:
    """Being asked to end is like Ctrl-C."""
    raise KeyboardInterrupt


def _listen(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows would let two programs share a port.
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address, port))
        listening.listen(64)
    except (OSError, OverflowError) as e:
        listening.close()
        why = getattr(e, "strerror", None) or str(e)
        raise NoPort(
            f"The page cannot listen on port {port}: {why}.", "Choose another with --port, or 0 for any."
        ) from e
    return listening


def local_address() -> str:
    """The address of this machine in the local network; empty when it has none.

    No packet is sent: connecting a datagram socket only asks the system which way it would go.
    """
    for target in ("192.0.2.1", "198.51.100.1"):  # Set apart for documentation (RFC 5737): nobody's.
        with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect((target, 9))
            found = str(probe.getsockname()[0])
            if not ipaddress.ip_address(found).is_loopback:
                return found
    with contextlib.suppress(OSError):
        for found in socket.gethostbyname_ex(socket.gethostname())[2]:
            if not ipaddress.ip_address(found).is_loopback:
                return found
    return ""


def _warm_up() -> None:
    """Load what the first answer needs while nobody waits."""
    with contextlib.suppress(Exception):
        import matplotlib.figure  # noqa: F401

        import holecount.measure  # noqa: F401
