"""Items that one thread brings one by one, while another already works with the first of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Executor
from contextlib import closing
from threading import Condition
from typing import Generic, TypeVar

T = TypeVar("T")


class Arriving(Generic[T]):
    """Items on their way from a thread of a pool to whoever takes them, once and in order.

    Whoever takes them waits for what is to come, and whoever brings them waits while `most` of
    them lie here; so memory holds no more.
    """

    def __init__(self, pool: Executor, source: Generator[T], most: int) -> None:
        self._items: deque[T] = deque()
        self._error: BaseException | None = None
        self._most = most
        self._has_ended = self._is_left = False
        self._change = Condition()
        pool.submit(self._bring, source)

    def __iter__(self) -> Iterator[T]:
        """Take all items, each as soon as it is there; then raise whatever ended them."""
        while True:
            with self._change:
                self._change.wait_for(lambda: self._items or self._has_ended)
                if not self._items:
                    break
                item = self._items.popleft()
                self._change.notify_all()
            yield item
            del item
        if self._error is not None:
            raise self._error

    def leave(self) -> None:
        """Take no more, so that no more is brought."""
        with self._change:
            self._is_left = True
            self._items.clear()
            self._change.notify_all()

    def _bring(self, source: Generator[T]) -> None:
        try:
            with closing(source):
                for item in source:
                    if not self._add(item):
                        break
                    del item
        except BaseException as error:
            self._error = error
        finally:
            with self._change:
                self._has_ended = True
                self._change.notify_all()

    def _add(self, item: T) -> bool:
        with self._change:
            self._change.wait_for(lambda: len(self._items) < self._most or self._is_left)
            if not self._is_left:
                self._items.append(item)
                self._change.notify_all()
            return not self._is_left
