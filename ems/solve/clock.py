"""Seconds spent on each step, and the words that tell a waiting person which one it is."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

Progress = Callable[[str], None]
T = TypeVar("T")


class Clock:
    """Seconds spent, by name."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def lap(self, name: str, work: Callable[[], T]) -> T:
        """What ``work`` returns, its time added to a name."""
        begun = time.perf_counter()
        result = work()
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - begun
        return result
