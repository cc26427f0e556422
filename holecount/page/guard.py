"""Who may use the bench page: only pages it served itself, on the addresses it was started for.

Three kinds of stranger are kept out: other web pages open in the same browser (by the Host, Origin and Sec-Fetch-Site
headers and a token in every change), other machines (by listening on this one alone, or by a secret when a phone is
let in), and scripts in what was uploaded (nothing uploaded is handed out, and the content security policy allows
nothing but the page's own files).
"""

import hmac
import secrets
from dataclasses import dataclass, field

from flask import Request

COOKIE = "holecount_pass"
TOKEN_HEADER = "X-Holecount-Token"

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""Content security policy of the page: nothing inline, nothing from elsewhere."""

SHEET_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox allow-modals allow-popups allow-popups-to-escape-sandbox"
)
"""Of a sheet: its pictures and its own style, no script at all."""

PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
"""Of pictures and data: were one ever opened as a page, nothing in it would run."""

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=()",
}


@dataclass
class Guard:
    """Decides over every request.

    Attributes
    ----------
    hosts : set of str
        Values of the Host header that are answered: ``127.0.0.1:8417`` and the like.
    needs_pass : bool
        Whether a pass is needed: when other machines can reach the page.
    token : str
        What every change has to carry; stands in the pages, which other sites cannot read.
    """

    hosts: set[str] = field(default_factory=set)
    needs_pass: bool = False
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    _invitations: set[str] = field(default_factory=set)
    _passes: set[str] = field(default_factory=set)

    def invitation(self) -> str:
        """A new secret that lets one device in, once."""
        secret = secrets.token_urlsafe(16)
        self._invitations.add(secret)
        return secret

    def is_invited(self, secret: str) -> bool:
        """Whether the secret is a good one; it stays good."""
        return any(hmac.compare_digest(secret.encode(), known.encode()) for known in self._invitations)

    def let_in(self, secret: str) -> str | None:
        """Trade a secret for a pass; None when it is not a good one. The secret is used up."""
        found = next((k for k in self._invitations if hmac.compare_digest(secret.encode(), k.encode())), None)
        if found is None:
            return None
        self._invitations.discard(found)
        made = secrets.token_urlsafe(24)
        self._passes.add(made)
        return made

    def has_pass(self, request: Request) -> bool:
        """Whether the request comes from a device that was let in."""
        if not self.needs_pass:
            return True
        shown = request.cookies.get(COOKIE, "")
        return any(hmac.compare_digest(shown.encode(), known.encode()) for known in self._passes)

    def objection(self, request: Request) -> str:
        """Why a request is not answered, whoever it comes from; empty when it is."""
        if request.host.lower() not in self.hosts:
            return "This page is not known under that address."
        if request.method not in ("GET", "HEAD", "POST"):
            return "That cannot be done here."
        origin = request.headers.get("Origin")
        if origin is not None and origin.lower() not in {f"http://{host}" for host in self.hosts}:
            return "Another web site asked for this."
        site = request.headers.get("Sec-Fetch-Site", "none")
        if site not in ("same-origin", "none"):
            # A link on another page may lead to a page of ours, but may not fetch pictures or data, or change anything.
            opened = request.method == "GET" and request.headers.get("Sec-Fetch-Mode") == "navigate"
            if not opened or request.headers.get("Sec-Fetch-Dest", "document") != "document":
                return "Another web site asked for this."
        return ""

    def may_change(self, request: Request) -> bool:
        """Whether a change carries the token of the pages served here."""
        shown = request.headers.get(TOKEN_HEADER, "")
        return hmac.compare_digest(shown.encode("utf-8", "replace"), self.token.encode())
