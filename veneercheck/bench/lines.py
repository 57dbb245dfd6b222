"""Connections to the page: each request has its time, and nobody takes up all of them.

Notes
-----
Who asks nothing makes room. One hundred silent lines shut the bench page. Choice: a share for each
address, and the oldest line that asks nothing at the moment is closed for a new one. Instead of: a
plain limit, which refuses the honest newcomer. Cost: a browser's idle line may be closed; it opens
another.
"""

from __future__ import annotations

import asyncio
from typing import Any

HEAD_S = 10.0
"""A browser sends a request's head at once; longer from its first byte on, the line is closed."""

STILL_S = 20.0
"""Longest that nothing of an answer is taken."""

MOST = 100
"""Lines at once. A browser opens six."""

SHARE = 40
"""Lines of one address at once."""


def patient_to_a_point(most: int = MOST, share: int = SHARE) -> type[asyncio.Protocol]:
    """HTTP as uvicorn speaks it, with limits on every request of a line and on lines.

    Where an address has its share, or all lines are taken, the line that has been open longest
    among those that ask nothing at the moment makes room for a new one: who asks at once is
    answered, however many wait in silence or send a byte now and then.

    Parameters
    ----------
    most, share : int
        Lines of all addresses, and of one.
    """
    from uvicorn.protocols.http.h11_impl import H11Protocol

    lines: dict[Line, None] = {}  # in the order in which they were opened

    class Line(H11Protocol):
        _head: asyncio.TimerHandle | None = None
        _still: asyncio.TimerHandle | None = None

        @property
        def asks_nothing(self) -> bool:
            return self.cycle is None or self.cycle.response_complete

        @property
        def address(self) -> str:
            return self.client[0] if self.client else "?"

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            lines[self] = None
            self._head = self.loop.call_later(HEAD_S, self.drop)
            self._make_room()

        def _make_room(self) -> None:
            own = [line for line in lines if line.address == self.address]
            if len(own) > share:
                crowd = own
            elif len(lines) > most:
                crowd = list(lines)
            else:
                return
            silent = (line for line in crowd if line is not self and line.asks_nothing)
            next(silent, self).drop()

        def drop(self) -> None:
            lines.pop(self, None)
            self.transport.abort()

        def data_received(self, data: bytes) -> None:
            if self._head is None and self.asks_nothing:  # the first byte of a further request
                self._head = self.loop.call_later(HEAD_S, self.drop)
            super().data_received(data)
            if not self.asks_nothing and self._head is not None:
                self._head.cancel()
                self._head = None

        def pause_writing(self) -> None:
            super().pause_writing()
            self._still = self.loop.call_later(STILL_S, self.drop)

        def resume_writing(self) -> None:
            super().resume_writing()
            if self._still is not None:
                self._still.cancel()

        def on_response_complete(self) -> None:
            super().on_response_complete()
            self._farewell()

        def timeout_keep_alive_handler(self) -> None:
            super().timeout_keep_alive_handler()
            self._farewell()

        def _farewell(self) -> None:
            """A line that is being closed ends even if its last answer is not taken."""
            if self.transport.is_closing() and self in lines:
                self.loop.call_later(STILL_S, self.drop)

        def connection_lost(self, exc: Exception | None) -> None:
            lines.pop(self, None)
            for timer in (self._head, self._still):
                if timer is not None:
                    timer.cancel()
            super().connection_lost(exc)

    return Line
