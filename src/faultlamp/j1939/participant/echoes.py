"""Our own frames when the bus hands them back.

Rule: common practice, no source. Adapters and sockets differ in whether what one sent is also received, and a frame
does not say who sent it. So what was sent is remembered for a while, and each copy that comes back is taken off.
"""

from __future__ import annotations

# Longer than any adapter's queue takes, short enough that an impostor is noticed.
_REMEMBERED_NS = 2_000_000_000
_MOST_REMEMBERED = 8192


class Echoes:
    """Frames that were sent and may still come back."""

    def __init__(self) -> None:
        # How many copies may still come, and when the latest went out.
        self._sent: dict[tuple[int, bytes], list[int]] = {}
        self._tidied_ns = 0

    def sent(self, now_ns: int, frames: list[tuple[int, bytes]]) -> None:
        """Remember frames that go out now."""
        for frame in frames:
            entry = self._sent.setdefault(frame, [0, now_ns])
            entry[0] += 1
            entry[1] = now_ns
        if now_ns - self._tidied_ns > _REMEMBERED_NS or len(self._sent) > _MOST_REMEMBERED:
            self._tidy(now_ns)

    def take(self, now_ns: int, can_id: int, data: bytes) -> bool:
        """Whether this frame is one of ours come back."""
        entry = self._sent.get((can_id, data))
        if entry is None or now_ns - entry[1] > _REMEMBERED_NS:
            return False
        entry[0] -= 1
        if not entry[0]:
            del self._sent[can_id, data]
        return True

    def _tidy(self, now_ns: int) -> None:
        self._tidied_ns = now_ns
        fresh = [(frame, entry) for frame, entry in self._sent.items() if now_ns - entry[1] <= _REMEMBERED_NS]
        if len(fresh) > _MOST_REMEMBERED:
            fresh = fresh[-_MOST_REMEMBERED // 2 :]
        self._sent = dict(fresh)
