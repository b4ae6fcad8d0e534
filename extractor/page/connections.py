"""The web server with bounds: strangers' connections never crowd out the page's own."""

from __future__ import annotations

from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer

from extractor.page.guard import Guard

#: Connections kept at a time; a browser opens six.
MOST_CONNECTIONS = 64
#: How long one that has shown no cookie may last, seconds.
STRANGER_S = 10.0
#: How often those that are too old are looked for, seconds.
LOOK_EVERY_S = 1


class Channel(HTTPChannel):
    """A connection: a stranger's until a request on it shows a visitor's cookie."""

    visitor = False

    def service(self) -> None:
        """Answer the next request."""
        cookie = self.requests[0].headers.get("COOKIE", "")
        self.visitor = self.visitor or self.server.guard.knows_cookie(cookie)
        super().service()

    @property
    def idle_stranger(self) -> bool:
        """Tell whether it may be closed: nobody known, and no request of it at work."""
        return not self.visitor and not self.requests


class Server(TcpWSGIServer):
    """Closes strangers' connections: soon, and at once where there are too many."""

    channel_class = Channel
    guard: Guard

    def handle_accept(self) -> None:
        """Take a connection; beyond the bound the oldest stranger makes room for it."""
        super().handle_accept()
        surplus = len(self.active_channels) - MOST_CONNECTIONS
        if surplus > 0:
            # Not the newest: it has had no time yet to show its cookie.
            strangers = sorted(self._strangers(), key=lambda c: c.creation_time)[:-1]
            for channel in strangers[:surplus]:
                channel.handle_close()

    def maintenance(self, now: float) -> None:
        """Close strangers' connections that have lasted too long, however busy they are."""
        super().maintenance(now)
        for channel in self._strangers():
            if channel.creation_time < now - STRANGER_S:
                channel.will_close = True

    def _strangers(self) -> list[Channel]:
        return [c for c in list(self.active_channels.values()) if c.idle_stranger]
