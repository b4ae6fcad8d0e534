"""Who may ask: this machine's own browser, opened with the one-time token, and nobody else."""

from __future__ import annotations

import hmac
import secrets
import threading

from flask import Request

HOST = "127.0.0.1"
#: More than any request of the page needs; a body beyond it is refused unread.
MOST_BODY_BYTES = 256 * 1024
#: The one request that brings bytes: pieces of clips that are dropped into the window.
DROP, DROPPED_KIND, MOST_PIECE_BYTES = "/api/drop", "application/octet-stream", 4 * 1024 * 1024
KEY_HEADER = "X-Extractor-Key"
ENTER, AGAIN = "/enter", "/again"

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class Guard:
    """Tokens, cookies and where a request may come from.

    Parameters
    ----------
    port : int
        The port that the page is served on.
    """

    def __init__(self, port: int) -> None:
        self.port = port
        self.key = secrets.token_urlsafe(32)
        """Kept in the session's state file (mode 0600) for a second ``open``."""
        # Cookies do not tell ports apart: two sessions open at once need two names.
        self.cookie = f"extractor_{port}"
        self._tokens: set[str] = set()
        self._visitors: set[str] = set()
        self._lock = threading.Lock()

    @property
    def origin(self) -> str:
        """Return the page's own origin."""
        return f"http://{HOST}:{self.port}"

    def address(self) -> str:
        """Return an address that lets one browser in, once."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._tokens.add(token)
        return f"{self.origin}{ENTER}?token={token}"

    def admit(self, token: str) -> str | None:
        """Return a cookie's value for a token and spend the token; None if it is not known."""
        with self._lock:
            known = [t for t in self._tokens if _equal(t, token)]
            if not known:
                return None
            self._tokens.discard(known[0])
            visitor = secrets.token_urlsafe(32)
            self._visitors.add(visitor)
            return visitor

    def knows_key(self, request: Request) -> bool:
        """Tell whether another ``open`` of the same user asks, not a browser."""
        return "Origin" not in request.headers and _equal(
            self.key, request.headers.get(KEY_HEADER, "")
        )

    def objection(self, request: Request) -> tuple[int, str] | None:
        """Return status and reason if the request is refused, None if it may pass."""
        # A foreign name that resolves to this machine (DNS rebinding) stands in Host.
        if request.host != f"{HOST}:{self.port}":
            return 403, "this address is not the page's own"
        if request.path == ENTER:
            # A look at the headers alone must not spend the token.
            return (405, "open the address in a browser") if request.method == "HEAD" else None
        if request.path == AGAIN:
            return None if self.knows_key(request) else (403, "wrong key")
        if request.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none"):
            return 403, "another site's page asked"
        if not self._is_visitor(request.cookies.get(self.cookie, "")):
            return 401, "open the page with the address that extractor open prints"
        if request.method in ("GET", "HEAD"):
            return None
        if request.headers.get("Origin") != self.origin:
            return 403, "another site's page asked"
        dropped = request.path == DROP
        if request.mimetype != (DROPPED_KIND if dropped else "application/json"):
            return 415, "a clip's bytes expected" if dropped else "JSON expected"
        if (request.content_length or 0) > (MOST_PIECE_BYTES if dropped else MOST_BODY_BYTES):
            return 413, "more than is taken at a time"
        return None

    def knows_cookie(self, header: str) -> bool:
        """Tell whether a ``Cookie`` header is that of a browser that was let in."""
        from werkzeug.http import parse_cookie

        return self._is_visitor(parse_cookie(header).get(self.cookie, ""))

    def _is_visitor(self, value: str) -> bool:
        with self._lock:
            return any(_equal(visitor, value) for visitor in self._visitors)


def _equal(a: str, b: str) -> bool:
    return hmac.compare_digest(a.encode(), b.encode("utf-8", "replace"))
