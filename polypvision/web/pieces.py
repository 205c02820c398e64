"""Pieces of photos that come in at once: so many are held in memory, the others wait in line.

Who waits sends nothing meanwhile, for nobody reads the connection (TCP's own back-pressure). Who
has waited for long is told when to come again, as RFC 9110 has it (503 with Retry-After).
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.exceptions import HTTPException
from starlette.requests import Request

AT_ONCE = 16
"""Pieces in memory, of at most `uploads.MAX_PIECE_BYTES` each."""
WAIT_S = 20.0
ARRIVES_S = 60.0
"""A piece that takes longer holds up the others: it is sent again over a better connection."""
COME_AGAIN_S = 3


def busy(words: str) -> HTTPException:
    """Return the answer that asks to come again in a while."""
    return HTTPException(503, words, headers={"retry-after": str(COME_AGAIN_S)})


class Pieces:
    """The line in which pieces wait."""

    def __init__(self, at_once: int = AT_ONCE, wait_s: float = WAIT_S) -> None:
        self._places = asyncio.Semaphore(at_once)
        self._wait_s = wait_s

    @asynccontextmanager
    async def one(self, request: Request) -> AsyncIterator[bytes]:
        """Read one piece once it is its turn; until the block is left it counts as held.

        Raises
        ------
        HTTPException
            503 if it was not its turn in time; 408 if its bytes did not come.
        """
        try:
            async with asyncio.timeout(self._wait_s):
                await self._places.acquire()
        except TimeoutError:
            raise busy("Many photos come in just now. It goes on by itself.") from None
        try:
            try:
                async with asyncio.timeout(ARRIVES_S):
                    piece = await request.body()
            except TimeoutError:
                raise HTTPException(408, "The connection is too slow. Trying again.") from None
            yield piece
        finally:
            self._places.release()
